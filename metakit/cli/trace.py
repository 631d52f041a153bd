"""`metakit trace`: the path of a number from the page of a paper to its weight in the analyses."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import answer_json

NAME = "trace"
HELP = """Show the path of a number: page and table of the paper, the typed value with its file and line, who
extracted and decided, every derivation, the effect, and the weight in each analysis of the plan.

Example: metakit trace my_review --outcome dash --study S-01
"""


def command(
    folder: Annotated[Path, typer.Argument(help="Review folder.", show_default=False)],
    outcome: Annotated[str, typer.Option(help="Outcome of the vocabulary.", show_default=False)],
    study: Annotated[str, typer.Option(help="Id of the study.", show_default=False)],
    arm: Annotated[str, typer.Option(help="Id of one arm; all arms otherwise.", show_default=False)] = "",
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Trace and show."""
    from metakit.review.reconciling.reconcile_decisions import in_words, typed_by_each
    from metakit.synthesis.trace import trace
    from metakit.workbench import open_review

    findings = open_review(folder).synthesise().findings
    path = trace(findings, study=study, outcome=outcome, arm=arm)
    if json:
        answer_json(path.to_json())
        return
    typer.echo(f"{path.name}: {outcome}, extracted by {path.extractor} ({path.status})")
    for typed in path.typed:
        typer.echo(
            f"  {typed.arm} {typed.arm_label}, {typed.time}: {_numbers(typed.numbers) or typed.reporting}"
        )
        typer.echo(f"    paper: {typed.source or 'no page named'}; record: {typed.place}")
        if typed.conversion:
            typer.echo(f"    converted: {typed.conversion}")
    for found in path.decisions:
        typed_values = ", ".join(f"{who} typed {value}" for who, value in typed_by_each(found).items())
        typer.echo(f"  disagreement: {in_words(found['field'])}; {typed_values}")
        typer.echo(
            f"    decided: {found['decision']} {found['other_value']}".rstrip()
            + f", by {found['decided_by']} on {found['decided_on']}: {found['reason']}"
        )
    for step in path.analyses:
        typer.echo(
            f"  analysis {step.analysis} ({step.measure})"
            + ("" if step.used else f": not in it, {step.reason}")
        )
        for derivation in step.derivations:
            typer.echo(
                f"    derived: {derivation.rule}" + (f" ({derivation.inputs})" if derivation.inputs else "")
            )
        for label, numbers, effective in step.sides:
            more = (
                f"; after the design effect {_numbers(effective)}" if dict(effective) != dict(numbers) else ""
            )
            typer.echo(f"    {label}: {_numbers(numbers)}{more}")
        if step.effect is not None:
            limits = f" ({step.interval[0]:.4g} to {step.interval[1]:.4g})" if step.interval else ""
            weight = f", weight {100 * step.weight:.1f} %" if step.weight is not None else ""
            typer.echo(f"    effect {step.effect:.4g}{limits} on the {step.scale} scale{weight}")


def _numbers(numbers: Mapping[str, float]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {value:.6g}" for name, value in numbers.items())
