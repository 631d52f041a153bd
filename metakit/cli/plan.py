"""`metakit plan`: the hash of a review's plan, and what changed since it was registered."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import answer_json, say

NAME = "plan"
HELP = """Show the hash of the plan in a review's protocol, and whether it changed since it was registered.

Record the plan when it is fixed, before data are extracted, and type its hash into the registration and into
the protocol (review, plan_hash). The report then says which analyses were planned and what was amended later.

Example: metakit plan my_review --record
"""


def command(
    folder: Annotated[Path, typer.Argument(help="Review folder.", show_default=False)],
    record: Annotated[
        bool, typer.Option("--record", help="Write the plan into the review's history, once.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Answer as JSON.")] = False,
) -> None:
    """Read the protocol, record if asked, show how the plan stands."""
    from metakit.review.folder import read_protocol
    from metakit.review.history import read_history
    from metakit.review.plan import plan_standing, record_plan

    protocol = read_protocol(folder)
    if record:
        say(f"metakit: plan {record_plan(folder, protocol.fields, date=protocol.date)} is in the history")
    standing = plan_standing(protocol.fields, read_history(folder)[0])
    if json:
        answer_json(standing.to_json())
        return
    typer.echo(standing.hash)
    typer.echo("\n".join(standing.sentences))
