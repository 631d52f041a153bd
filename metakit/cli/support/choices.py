"""Options whose value is a name in a registry: listed in the help, offered by the shell, never loaded before.

The registries are heavy to import; a command's help and the completion of its options load the one they show,
`metakit --help` loads none.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from typing import Any

import typer

from metakit.cli.support.plain_values import PlainCommand

REGISTRIES = {
    "measure": ("metakit.measures.registry", "MEASURES"),
    "inference": ("metakit.models.inference", "INFERENCES"),
    "model": ("metakit.models.registry", "MODELS"),
    "tau2": ("metakit.models.estimators", "TAU2_ESTIMATORS"),
    "interval": ("metakit.models.estimators", "MEAN_INTERVALS"),
    "prediction": ("metakit.models.estimators", "PREDICTION_INTERVALS"),
    "zero_cells": ("metakit.measures.zero_cells", "POLICIES"),
    "test": ("metakit.models.small_studies.small_study", "SMALL_STUDY_TESTS"),
    "figure": ("metakit.plots.registry", "FIGURES"),
    "network_figure": ("metakit.plots.networks.network_registry", "NETWORK_FIGURES"),
    "preset": ("metakit.plots.presets", "PRESETS"),
}
"""Where the names of an option live."""
PLAIN = {
    "network_measure": (
        ("odds_ratio", ""),
        ("risk_ratio", ""),
        ("risk_difference", ""),
        ("rate_ratio", ""),
        ("mean_difference", ""),
    ),
}
"""Names of options that have no registry."""


def entries_of(kind: str) -> Iterator[tuple[str, str]]:
    """Give every name of a kind with its label."""
    if kind in PLAIN:
        yield from PLAIN[kind]
        return
    module, attribute = REGISTRIES[kind]
    for entry in getattr(importlib.import_module(module), attribute):
        yield entry.name, str(getattr(entry, "label", ""))


def entry_of(kind: str, name: str) -> Any:
    """Return the entry of a registry."""
    module, attribute = REGISTRIES[kind]
    return getattr(importlib.import_module(module), attribute)[name]


class CommandWithChoices(PlainCommand):
    """A command whose help ends with the names that its options take, a line each.

    Usual abbreviations of these names are understood, and how each was read is told.
    """

    def invoke(self, ctx: Any) -> Any:
        """Put full names in the place of abbreviations, then run the command."""
        for param in self.params:
            kind, typed = str(param.metavar or "").casefold(), ctx.params.get(param.name)
            if typed and isinstance(typed, str) and (kind in REGISTRIES or kind in PLAIN):
                ctx.params[param.name] = _understood(kind, typed, str(param.opts[0]))
        return super().invoke(ctx)

    def format_epilog(self, ctx: Any, formatter: Any) -> None:
        """Write the lists of names."""
        for param in self.params:
            kind = str(param.metavar or "").casefold()
            if kind in REGISTRIES or kind in PLAIN:
                with formatter.section(f"Names for {param.opts[0]}"):
                    formatter.write_dl([(name, label or " ") for name, label in entries_of(kind)], col_max=36)
        super().format_epilog(ctx, formatter)


def name_meant(kind: str, typed: str) -> str:
    """Return the name of a kind that was typed, abbreviated or in other letters; as typed where it is none.

    Examples
    --------
    >>> name_meant("measure", "RR"), name_meant("tau2", "Paule-Mandel"), name_meant("measure", "risk_ratioo")
    ('risk_ratio', 'paule_mandel', 'risk_ratioo')
    """
    from metakit.cli.support.abbreviations import full_name

    return full_name(kind, typed, lambda: [name for name, _ in entries_of(kind)])


def meanings(typed: str) -> tuple[str, ...]:
    """Return every name that goes by an abbreviation, whatever its kind; the text itself where none does."""
    found = dict.fromkeys(
        meant for kind in (*REGISTRIES, *PLAIN) if (meant := name_meant(kind, typed)) != typed
    )
    return tuple(found) or (typed,)


def _understood(kind: str, typed: str, option: str) -> str:
    """Return the full name of what was typed, and tell it where it was not the name itself."""
    from metakit.cli.support.running import say

    name = name_meant(kind, typed)
    if name != typed:
        say(f"metakit: {option} {typed} is read as {name}")
    return name


def name_option(kind: str, help_text: str) -> Any:
    """Return an option that takes a name of a kind; whoever uses it refuses a wrong one with the nearest."""

    def complete(incomplete: str) -> list[tuple[str, str]]:
        return [(name, label) for name, label in entries_of(kind) if name.startswith(incomplete)]

    return typer.Option(help=help_text, metavar=kind.upper(), autocompletion=complete)
