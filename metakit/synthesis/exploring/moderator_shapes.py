"""A moderator, its values in one analysis, and the registry of all of them.

The registry MODERATORS and the vocabulary `moderators` hold the same names (a contract test compares them).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from metakit.core.notes import SetAside
from metakit.core.records import Arm
from metakit.core.registry import Registry
from metakit.synthesis.gathering.rows import StudyNumbers


class MissingValueError(Exception):
    """A study has no value of a moderator; the message is the reason shown to the reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeratorValue:
    """The value of one study: a number, words, or None with the reason. `basis` says how it was obtained."""

    study: str
    value: float | str | None
    basis: str = ""
    reason: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the value as JSON."""
        return {"study": self.study, "value": self.value, "basis": self.basis, "reason": self.reason or None}


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeratorColumn:
    """One moderator in one analysis: a value a study, in the order of the effect table."""

    name: str
    label: str
    unit: str
    kind: str
    values: tuple[ModeratorValue, ...]

    @property
    def missing(self) -> tuple[SetAside, ...]:
        """The studies without a value, with the reason of each."""
        return tuple(
            SetAside(study=value.study, reason=value.reason) for value in self.values if value.value is None
        )

    @property
    def varies(self) -> bool:
        """Whether at least two studies have different values, so that it could explain anything."""
        return len({value.value for value in self.values if value.value is not None}) > 1

    def to_json(self) -> dict[str, Any]:
        """Return the column as JSON."""
        return {
            "name": self.name,
            "label": self.label,
            "unit": self.unit or None,
            "kind": self.kind,
            "values": [value.to_json() for value in self.values],
        }


Found = tuple[float | str, str]
"""A value and how it was obtained."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moderator:
    """One moderator: how its value follows from a study's numbers and the outcome analysed."""

    name: str
    read: Callable[[StudyNumbers, str], Found]


MODERATORS: Registry[Moderator] = Registry("moderator", ("metakit.synthesis.exploring.moderator_values",))


def arms_of(study: StudyNumbers) -> tuple[Arm, ...]:
    """Return all arms of a study that are in the analysis."""
    return tuple(part.arm for side in study.sides for part in side.arms)
