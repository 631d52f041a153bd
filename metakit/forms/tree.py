"""A checked record: values with the place where each was typed."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from metakit.core.values import Place
from metakit.errors import Problem, Severity


class Missing(Enum):
    """Why there is no value; each differs from a blank and from zero."""

    NOT_REPORTED = "not_reported"
    NOT_MEASURED = "not_measured"
    NOT_APPLICABLE = "not_applicable"


MISSING_CODES = {code.value: code for code in Missing}
Plain = str | int | float | bool | datetime.date


@dataclass(frozen=True, slots=True)
class Value:
    """One checked value (a tuple for a list), its place, and the text as typed."""

    value: Plain | tuple[Plain, ...] | Missing
    place: Place
    text: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """A group of fields. `name` is its path in messages, such as outcomes[4] (counted from 1).

    `places` says where each field was typed, also one whose value was refused or is an empty list.

    All accessors take a dotted path ('patients.analysed') and answer None (or empty) for what is absent,
    not reported, or was refused; nothing is ever turned into zero.
    """

    name: str
    place: Place
    entries: Mapping[str, Value | Group | tuple[Group, ...]] = field(default_factory=dict)
    places: Mapping[str, Place] = field(default_factory=dict)

    def entry(self, path: str) -> Value | Group | tuple[Group, ...] | None:
        """Return what stands under a path."""
        if "." not in path:
            return self.entries.get(path)
        first, _, rest = path.partition(".")
        found = self.entries.get(first)
        if not rest:
            return found
        return found.entry(rest) if isinstance(found, Group) else None

    def _value(self, path: str) -> Any:
        found = self.entry(path)
        return found.value if isinstance(found, Value) and not isinstance(found.value, Missing) else None

    def number(self, path: str) -> float | None:
        """Return a number."""
        found = self._value(path)
        return float(found) if isinstance(found, (int, float)) and not isinstance(found, bool) else None

    def integer(self, path: str) -> int | None:
        """Return a whole number."""
        found = self._value(path)
        return found if isinstance(found, int) and not isinstance(found, bool) else None

    def text(self, path: str) -> str:
        """Return a text, a choice or an ISO date; empty when absent."""
        found = self.entry(path)
        if not isinstance(found, Value):
            return ""
        if isinstance(found.value, str):
            return found.value
        return found.value.isoformat() if isinstance(found.value, datetime.date) else ""

    def flag(self, path: str) -> bool | None:
        """Return a yes or no."""
        found = self._value(path)
        return found if isinstance(found, bool) else None

    def words(self, path: str) -> tuple[str, ...]:
        """Return a list of texts or choices."""
        found = self._value(path)
        return tuple(str(item) for item in found) if isinstance(found, tuple) else ()

    def date(self, path: str) -> datetime.date | None:
        """Return a date."""
        found = self._value(path)
        return found if isinstance(found, datetime.date) else None

    def group(self, path: str) -> Group:
        """Return a group of fields; an empty one when absent."""
        found = self.entry(path)
        return found if isinstance(found, Group) else Group(self.path(path), self.place)

    def groups(self, path: str) -> tuple[Group, ...]:
        """Return the entries of a repeating group."""
        found = self.entry(path)
        return found if isinstance(found, tuple) else ()

    def missing(self, path: str) -> Missing | None:
        """Return the code typed instead of a value, such as not_reported."""
        found = self.entry(path)
        return found.value if isinstance(found, Value) and isinstance(found.value, Missing) else None

    def has(self, path: str) -> bool:
        """Say whether there is a value (a code for a missing one does not count)."""
        found = self.entry(path)
        return found is not None and self.missing(path) is None

    def path(self, path: str) -> str:
        """Return the full path of a field, for messages."""
        return f"{self.name}.{path}" if self.name else path

    def typed(self, path: str) -> str:
        """Return the text as it was typed; empty when absent."""
        found = self.entry(path)
        return found.text if isinstance(found, Value) else ""

    def place_of(self, path: str) -> Place:
        """Return where a field was typed; the place of the nearest group around it when absent."""
        first, _, rest = path.partition(".")
        found = self.entries.get(first)
        if rest and isinstance(found, Group):
            return found.place_of(rest)
        return self.places.get(first, self.place)

    def problem(
        self, path: str, what: str, *, severity: Severity, found: str = "", allowed: str = "", hint: str = ""
    ) -> Problem:
        """Describe a problem at the place of a field."""
        place = self.place_of(path) if path else self.place
        return Problem(
            file=place.file,
            what=what,
            line=place.line,
            column=place.column,
            field=self.path(path) if path else self.name,
            found=found,
            allowed=allowed,
            hint=hint,
            severity=severity,
        )

    def plain(self) -> dict[str, Any]:
        """Return the whole tree as dicts, lists, texts and numbers; codes for missing values stay texts."""
        return {name: _plain(entry) for name, entry in self.entries.items()}


def _plain(entry: Value | Group | tuple[Group, ...]) -> Any:
    if isinstance(entry, Group):
        return entry.plain()
    if isinstance(entry, tuple):
        return [group.plain() for group in entry]
    return _plain_value(entry.value)


def _plain_value(value: Plain | tuple[Plain, ...] | Missing) -> Any:
    if isinstance(value, Missing):
        return value.value
    if isinstance(value, tuple):
        return [_plain_value(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.date) else value
