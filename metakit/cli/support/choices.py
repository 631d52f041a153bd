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
    "test": ("metakit.models.small_studies.small_study", "SMALL_STUDY_TESTS"),
    "figure": ("metakit.plots.registry", "FIGURES"),
    "network_figure": ("metakit.plots.networks.network_registry", "NETWORK_FIGURES"),
    "preset": ("metakit.plots.presets", "PRESETS"),
}
"""Where the names of an option live."""
PLAIN = {
    "zero_cells": (
        ("none", "no correction"),
        ("constant", "0.5 to every cell of a study that has an empty one"),
        ("treatment_arm", "by the sizes of the arms (Sweeting 2004)"),
    ),
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
    """A command whose help ends with the names that its options take, a line each."""

    def format_epilog(self, ctx: Any, formatter: Any) -> None:
        """Write the lists of names."""
        for param in self.params:
            kind = str(param.metavar or "").casefold()
            if kind in REGISTRIES or kind in PLAIN:
                with formatter.section(f"Names for {param.opts[0]}"):
                    formatter.write_dl([(name, label or " ") for name, label in entries_of(kind)], col_max=36)
        super().format_epilog(ctx, formatter)


def name_option(kind: str, help_text: str) -> Any:
    """Return an option that takes a name of a kind; whoever uses it refuses a wrong one with the nearest."""

    def complete(incomplete: str) -> list[tuple[str, str]]:
        return [(name, label) for name, label in entries_of(kind) if name.startswith(incomplete)]

    return typer.Option(help=help_text, metavar=kind.upper(), autocompletion=complete)
