"""Texts and rows as they were found in a workbook."""

from __future__ import annotations

from dataclasses import dataclass, field

from metakit.core.values import Place
from metakit.forms.record_workbooks.layout import (
    Path,
)


@dataclass(frozen=True, slots=True)
class Text:
    """What a cell says, and where."""

    text: str
    place: Place


@dataclass(slots=True)
class FoundRow:
    """One entry of a table, or all fields of a record on a list sheet."""

    record: Text
    place: Place
    keys: list[Text] = field(default_factory=list)
    texts: dict[Path, Text] = field(default_factory=dict)
