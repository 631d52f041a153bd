"""`metakit explain`: what a measure, model, estimator, interval, test or figure is."""

from __future__ import annotations

from typing import Annotated

import typer

NAME = "explain"
HELP = """Say what a name means: a measure, inference, model, estimator, interval, prediction, test or figure.

What it is, when to use it, its formula in plain text, and its published sources. Without a name: all names.

Example: metakit explain risk_ratio
"""


def command(
    name: Annotated[
        str, typer.Argument(help="Such as risk_ratio, RR, reml or egger.", show_default=False)
    ] = "",
) -> None:
    """Print the explanation, or the names by kind."""
    import textwrap

    from metakit.cli.support.choices import REGISTRIES, entry_of, meanings
    from metakit.core.bibliography import reference
    from metakit.core.explanations import explained, explanations

    if not name:
        for kind, entries in explanations().items():
            typer.echo(
                textwrap.fill(f"{kind.replace('_', ' ')}: {', '.join(entries)}", 100, subsequent_indent="  ")
            )
        return
    for number, found in enumerate(x for meant in meanings(name) for x in explained(meant)):
        entry = entry_of(found.kind, found.name) if found.kind in REGISTRIES else None
        label = str(getattr(entry, "label", "") or found.name.replace("_", " "))
        lines = [f"{found.kind.replace('_', ' ')} {found.name}: {label}", found.what]
        lines += [f"When: {found.when}"] + ([f"Formula: {found.formula}"] if found.formula else [])
        lines += [f"Source: {reference(key)}" for key in getattr(entry, "references", ())]
        typer.echo(
            ("\n" if number else "") + "\n".join(textwrap.fill(x, 100, subsequent_indent="  ") for x in lines)
        )
