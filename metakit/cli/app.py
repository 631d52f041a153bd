"""The command line. Each command lives in a module of its own and is listed here once.

Nothing heavy may be imported here or at the top of a command's module: `metakit --help` answers at once. A
run that names its command loads that command's module alone.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from typing import Annotated, Any

import typer

from metakit import __version__
from metakit.cli.support.choices import CommandWithChoices
from metakit.cli.support.plain_values import PlainGroup

COMMANDS = (
    "demo", "desk", "new", "sheet", "collect", "reconcile", "check", "plan", "pool", "causes", "explore",
    "network", "draw", "explain", "certainty", "decide", "report", "trace",
)  # fmt: skip
"""Modules of this package, each named as its command, in the order of the help."""


def app_for(arguments: Sequence[str] = ()) -> typer.Typer:
    """Return the app with the one command that the arguments begin with, or with all."""
    app = typer.Typer(
        cls=PlainGroup,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        help=(
            "Evidence synthesis for thumb-base surgery: from filled extraction forms to pooled complication "
            "and revision rates, pictures and a readable report. Decision support for licensed clinicians; "
            "it does not replace clinical judgement, local codes or policy."
        ),
    )
    app.callback()(_common)
    for name in arguments[:1] if arguments and arguments[0] in COMMANDS else COMMANDS:
        module = importlib.import_module(f"metakit.cli.{name}")
        app.command(
            module.NAME, help=module.HELP, no_args_is_help=name not in ("demo", "desk", "explain"),
            cls=CommandWithChoices,
        )(module.command)  # fmt: skip
    return app


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"metakit {__version__}")
        raise typer.Exit


def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Options that stand before a command."""


def __getattr__(name: str) -> Any:
    """Build the app with all commands when it is asked for (PEP 562)."""
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = app_for()
    return globals()[name]
