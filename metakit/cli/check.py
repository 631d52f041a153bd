"""`metakit check`: every problem of every record at once, with its place."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import answer_json, echo_placed, say, say_problems
from metakit.errors import Problem

NAME = "check"
HELP = """Check extraction records (files or whole review folders) without changing anything.

Every problem is shown as file:line:column with what was found and what is allowed. Errors must be mended
(exit status 1, or 2 when a file cannot be read); questions are unusual values that an extractor can confirm:
--to-answer writes them as entries to complete, which 'metakit collect' puts into the records; the answers are
then counted.

With --form alone, a form of one's own is checked.

Example: metakit check my_review
"""


def command(
    paths: Annotated[
        list[Path] | None, typer.Argument(help="Records or review folders.", show_default=False)
    ] = None,
    form: Annotated[
        str, typer.Option(help="The file of a form of one's own, or a form's name.", show_default=False)
    ] = "",
    json_schema: Annotated[
        Path | None, typer.Option(help="Write the form as JSON Schema to this file.", show_default=False)
    ] = None,
    answered: Annotated[
        bool, typer.Option("--answered", help="Show the answered questions, with who answered what.")
    ] = False,
    to_answer: Annotated[
        bool, typer.Option("--to-answer", help="Write the open questions as entries to complete.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Check, list problems, end with the status they deserve."""
    from dataclasses import asdict

    from metakit.review.check import check_paths, entries_to_answer

    if form and (json_schema or not paths):
        _form(form, json_schema)
        if not paths:
            return
    elif json_schema:
        raise typer.BadParameter("which form? --form names it", param_hint="--json-schema")
    checked = check_paths(paths or (), form or None)
    problems = [_without_itself(problem) for problem in checked.problems]
    if json:
        answer_json(
            {
                "files": [str(file) for file in checked.files],
                "problems": [asdict(problem) for problem in problems],
                "next_steps": list(checked.steps),
            }
        )
    else:
        signed = checked.of("answered")
        say_problems(tuple(p for p in problems if answered or p.severity != "answered"))
        if signed and not answered:
            say(f"metakit: {len(signed)} answered (--answered shows them)")
        if to_answer:
            typer.echo(entries_to_answer(checked.problems), nl=False)
        if checked.steps:
            say("metakit: what to do next, in order:")
            for number, step in enumerate(checked.steps, start=1):
                say(f"  {number}. {step}.")
    if checked.of("error"):
        raise typer.Exit(checked.exit_status)
    say(f"metakit: {len(checked.files)} file{'' if len(checked.files) == 1 else 's'} checked, no error")


def _without_itself(problem: Problem) -> Problem:
    """Leave out a hint to this very command, which others give."""
    return replace(problem, hint="") if problem.hint.startswith("'metakit check ") else problem


def _form(name: str, out: Path | None) -> None:
    import json

    from metakit.core.seals import write_sealed
    from metakit.forms.json_schema import json_schema
    from metakit.review.check import load_form

    form = load_form(name)[1]
    say(
        f"metakit: form {form.name} {form.version}: {len(form.sections)} sections, {len(form.rules)} rules, "
        "no error"
    )
    if out is not None:
        text = json.dumps(json_schema(form), indent=2, ensure_ascii=False) + "\n"
        echo_placed([write_sealed(out, text.encode(), kind=".json")])
