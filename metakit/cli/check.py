"""`metakit check`: every problem of every record at once, with its place."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.running import answer_json, say, say_problems

NAME = "check"
HELP = """Check extraction records (files or whole review folders) without changing anything.

Every problem is shown as file:line:column with what was found and what is allowed. Errors must be mended
(exit status 1, or 2 when a file cannot be read); questions are unusual values that an extractor can confirm.

Example: metakit check my_review
"""


def command(
    paths: Annotated[list[Path], typer.Argument(help="Records or review folders.", show_default=False)],
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Check, list problems, end with the status they deserve."""
    from dataclasses import asdict

    from metakit.review.check import check_paths

    checked = check_paths(paths)
    if json:
        answer_json(
            {
                "files": [str(file) for file in checked.files],
                "problems": [asdict(p) for p in checked.problems],
            }
        )
    else:
        say_problems(checked.problems)
    errors = [problem for problem in checked.problems if problem.severity == "error"]
    if errors:
        raise typer.Exit(checked.exit_status)
    say(f"metakit: {len(checked.files)} file{'' if len(checked.files) == 1 else 's'} checked, no error")
