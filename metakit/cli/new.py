"""`metakit new`: an empty review folder, ready to be filled."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import say

NAME = "new"
HELP = """Make a review folder: a protocol to fill in, as a workbook and as a file, and an empty study record.

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
    forms: Annotated[
        str | None,
        typer.Option(
            help="Forms of another joint: a folder, a review that has it, or first_mtp (invented).",
            show_default=False,
        ),
    ] = None,
    invented: Annotated[bool, typer.Option("--invented", help="Copy the invented review.")] = False,
) -> None:
    """Make the folder and say what comes next."""
    from metakit.errors import UsageError
    from metakit.review.new import copy_of_demonstration, new_review
    from metakit.review.workbooks.protocol_sheet import WORKBOOK

    if invented:
        for name, given in (("protocol", protocol), ("forms", forms)):
            if given is not None:
                raise UsageError(f"--invented brings its own {name}; leave --{name} out")
        typer.echo(str(copy_of_demonstration(folder)))
        say("All studies in it are INVENTED for demonstration; they show nothing about real operations.")
        return
    made = new_review(folder, protocol=protocol, forms=forms)
    typer.echo(str(made))
    say(
        f"{'Look over' if protocol else 'Fill in'} the workbook {made / WORKBOOK} first (or "
        f"{made / 'protocol.yaml'}, which says the same), then "
        f"'metakit collect {made / WORKBOOK} --into {folder}'. "
        f"A workbook for each study comes from 'metakit sheet STUDY.xlsx --review {folder}'. "
        f"'metakit check {folder}' says at any time what to do next. "
        "Study-level numbers only: never enter data of identifiable patients."
    )
