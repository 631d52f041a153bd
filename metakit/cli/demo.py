"""`metakit demo`: the whole way, from extraction records to a report, on invented studies."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from metakit.cli.support.running import say

NAME = "demo"
HELP = """Go the whole way on invented studies: check the records, pool them, draw, write the report.

Prints the path of the report. The data are INVENTED and show nothing about real operations.

Example: metakit demo --out metakit_demo
"""


def command(
    out: Annotated[Path, typer.Option(help="Folder for the report.")] = Path("metakit_demo"),
    json: Annotated[bool, typer.Option("--json", help="Answer with all findings as JSON.")] = False,
) -> None:
    """Write the demo report."""
    from metakit.cli.report import write
    from metakit.forms.bundled import demo_studies

    if not json:
        say("These studies are INVENTED for demonstration; they show nothing about real operations.")
    write(demo_studies(), out, json=json)
