"""What a name means: read from one file of plain words, with the sources that its registry entry names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import yaml

from metakit.errors import UnknownNameError


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """What an entry of a registry is, when it should be used, and its formula in plain text."""

    kind: str
    name: str
    what: str
    when: str
    formula: str = ""


@cache
def explanations() -> Mapping[str, Mapping[str, Explanation]]:
    """Return every explanation by kind and name."""
    text = resources.files("metakit.core").joinpath("explanations.yaml").read_text("utf-8")
    return {
        kind: {name: Explanation(kind=kind, name=name, **words) for name, words in entries.items()}
        for kind, entries in yaml.safe_load(text).items()
    }


def explained(name: str) -> tuple[Explanation, ...]:
    """Return all that goes by a name; some names are those of a model and of an interval.

    Raises
    ------
    UnknownNameError
        With the nearest names.
    """
    found = tuple(entries[name] for entries in explanations().values() if name in entries)
    if not found:
        raise UnknownNameError(
            "name", name, {name for entries in explanations().values() for name in entries}
        )
    return found
