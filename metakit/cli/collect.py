"""`metakit collect`: records from filled workbooks."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.running import answer_json, say, say_problems

NAME = "collect"
HELP = """Read filled workbooks (or their CSV files) and write the records, checked like typed ones.

Every problem names file, sheet and cell. A workbook with errors writes nothing; a copy NAME.problems.xlsx
beside it has a comment on each cell in question. The workbook itself is never changed.

Example: metakit collect hillford_2016.xlsx --into my_review
"""


def command(
    paths: Annotated[
        list[Path],
        typer.Argument(help="Workbooks, CSV folders, or folders of workbooks.", show_default=False),
    ],
    into: Annotated[Path, typer.Option(help="Review folder, or a folder of records.", show_default=False)],
    form: Annotated[
        Path | None, typer.Option(help="The file of a form of one's own.", show_default=False)
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace records that say something else.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Collect, list problems, end with the status they deserve."""
    from dataclasses import asdict

    from metakit.forms.library import Library, shipped
    from metakit.review.collect import collect

    library = Library(form.parent) if form else shipped()
    done = collect(paths, into, library, form=library.load_form(form) if form else None, replace=replace)
    if json:
        answer = {
            name: [str(path) for path in getattr(done, name)]
            for name in ("written", "unchanged", "annotated")
        }
        answer_json({**answer, "problems": [asdict(problem) for problem in done.problems]})
    else:
        for path in done.written:
            typer.echo(str(path))
        say_problems(done.problems)
        say(f"metakit: {len(done.written)} written, {len(done.unchanged)} unchanged")
        for path in done.annotated:
            say(f"metakit: the cells in question have comments in {path}")
    if done.exit_status:
        raise typer.Exit(done.exit_status)
