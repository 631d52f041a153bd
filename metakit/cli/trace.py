"""`metakit trace`: the path of a number from the page of a paper to its weight in the analyses."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from metakit.cli.support.running import answer_json

if TYPE_CHECKING:
    from metakit.core.values import PaperPlace
    from metakit.synthesis.trace import Trace

NAME = "trace"
HELP = """Show the path of a number: page, place and words in the paper, the typed value with its file and
line, who extracted and decided, every derivation, the effect, and the weight in each analysis of the plan.

Example: metakit trace my_review --outcome dash --study S-01
"""


def command(
    folder: Annotated[Path, typer.Argument(help="Review folder.", show_default=False)],
    outcome: Annotated[str, typer.Option(help="Outcome of the vocabulary.", show_default=False)],
    study: Annotated[str, typer.Option(help="Id of the study.", show_default=False)],
    arm: Annotated[str, typer.Option(help="Id of one arm; all arms otherwise.", show_default=False)] = "",
    pictures: Annotated[
        Path | None,
        typer.Option(
            help="Folder for pictures of the places in the paper, where its PDF is here.", show_default=False
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Trace and show."""
    from metakit.core.boxes import box_text
    from metakit.review.reconciling.reconcile_decisions import in_words, typed_by_each
    from metakit.synthesis.trace import scale_words, trace
    from metakit.workbench import open_review

    findings = open_review(folder).synthesise().findings
    path = trace(findings, study=study, outcome=outcome, arm=arm)
    written = _draw(folder, path, pictures) if pictures is not None else {}
    if json:
        answer_json(path.to_json())
        return
    typer.echo(f"{path.name}: {outcome}, extracted by {path.extractor} ({path.status})")
    for typed in path.typed:
        typer.echo(
            f"  {typed.arm} {typed.arm_label}, {typed.time}: {_numbers(typed.numbers) or typed.reporting}"
        )
        typer.echo(f"    paper: {typed.source or 'no page named'}; record: {typed.place}")
        for at in typed.in_paper:
            field = at.field.rpartition("].")[2].replace(".", " ").replace("_", " ")
            shown = f"; {written[at]}" if at in written else ""
            typer.echo(f"    {field}: {at}, at {box_text(at.box)} of {at.report[:12]}{shown}")
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
        if step.used:
            own = "without a finite value of its own" if step.effect is None else f"{step.effect:.4g}"
            limits = f" ({step.interval[0]:.4g} to {step.interval[1]:.4g})" if step.interval else ""
            weight = f", weight {100 * step.weight:.1f} %" if step.weight is not None else ""
            typer.echo(f"    effect {own}{limits}{scale_words(step.scale)}{weight}")


def _draw(folder: Path, path: Trace, pictures: Path) -> dict[PaperPlace, str]:
    """Write a picture of each place whose PDF is here; return its file, or why there is none."""
    from metakit.core.files import write_atomically
    from metakit.review.reports import drawn_places

    said: dict[PaperPlace, str] = {}
    for place, drawn in drawn_places(folder, (at for typed in path.typed for at in typed.in_paper)).items():
        if drawn.why:
            said[place] = drawn.why
            continue
        name = re.sub(r"[^A-Za-z0-9]+", "_", f"{path.study} {place.field}").strip("_")
        said[place] = str(write_atomically(pictures / f"{name}_page_{place.page}.png", drawn.content))
    return said


def _numbers(numbers: Mapping[str, float]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {value:.6g}" for name, value in numbers.items())
