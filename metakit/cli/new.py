"""`metakit new`: an empty review folder, ready to be filled."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.running import say

NAME = "new"
HELP = """Make a review folder: a protocol to fill in and an empty study record, both explained line by line.

Example: metakit new my_review
"""


def command(
    folder: Annotated[
        Path, typer.Argument(help="Folder to make; it must not hold anything yet.", show_default=False)
    ],
) -> None:
    """Make the folder and say what comes next."""
    from metakit.review.new import new_review

    made = new_review(folder)
    typer.echo(str(made))
    say(
        f"Fill in {made / 'protocol.yaml'} first, then one record for each study in {made / 'records'}. "
        f"'metakit check {folder}' finds typing errors; 'metakit report {folder}' writes the report. "
        "Study-level numbers only: never enter data of identifiable patients."
    )
