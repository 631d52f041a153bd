"""`metakit new`: an empty review folder, ready to be filled."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import say

NAME = "new"
HELP = """Make a review folder: a protocol to fill in and an empty study record, both explained line by line.

With --invented it is a copy of the demonstration review, to look at and to try things on.

Example: metakit new my_review
"""


def command(
    folder: Annotated[
        Path, typer.Argument(help="Folder to make; it must not hold anything yet.", show_default=False)
    ],
    protocol: Annotated[
        Path | None,
        typer.Option(help="Start from this protocol instead of an empty one.", show_default=False),
    ] = None,
    invented: Annotated[bool, typer.Option("--invented", help="Copy the invented review.")] = False,
) -> None:
    """Make the folder and say what comes next."""
    from metakit.errors import UsageError
    from metakit.review.new import copy_of_demonstration, new_review

    if invented:
        if protocol is not None:
            raise UsageError("--invented brings its own protocol; leave --protocol out")
        typer.echo(str(copy_of_demonstration(folder)))
        say("All studies in it are INVENTED for demonstration; they show nothing about real operations.")
        return
    made = new_review(folder, protocol=protocol)
    typer.echo(str(made))
    say(
        f"{'Look over' if protocol else 'Fill in'} {made / 'protocol.yaml'} first, then one record for each "
        f"study in {made / 'records'}, or a workbook for each ('metakit sheet'). "
        f"'metakit check {folder}' finds typing errors; 'metakit report {folder}' writes the report. "
        "Study-level numbers only: never enter data of identifiable patients."
    )
