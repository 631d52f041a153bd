"""The command line. Each command lives in a module of its own and is listed here once.

Nothing heavy may be imported here or at the top of a command's module: `metakit --help` answers at once.
"""

from __future__ import annotations

from typing import Annotated

import typer

from metakit import __version__
from metakit.cli import (
    causes,
    certainty,
    check,
    collect,
    decide,
    demo,
    desk,
    draw,
    explain,
    explore,
    network,
    new,
    plan,
    pool,
    reconcile,
    report,
    sheet,
    trace,
)
from metakit.cli.support.choices import CommandWithChoices

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "Evidence synthesis for thumb-base surgery: from filled extraction forms to pooled complication and "
        "revision rates, pictures and a readable report. Decision support for licensed clinicians; it does "
        "not replace clinical judgement, local codes or policy."
    ),
)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"metakit {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Options that stand before a command."""


_COMMANDS = (
    demo,
    desk,
    new,
    sheet,
    collect,
    reconcile,
    check,
    plan,
    pool,
    causes,
    explore,
    network,
    draw,
    explain,
    certainty,
    decide,
    report,
    trace,
)
for _module in _COMMANDS:
    app.command(
        _module.NAME,
        help=_module.HELP,
        no_args_is_help=_module.NAME not in ("demo", "desk", "explain"),
        cls=CommandWithChoices,
    )(_module.command)


def main() -> None:
    """Run the command line, for environments whose command was installed when it began here."""
    from metakit.__main__ import main as begin

    begin()
