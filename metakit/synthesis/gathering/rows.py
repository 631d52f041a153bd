"""What stands between a record and an effect table: the numbers of one study in one analysis."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from metakit.core.notes import Assumption, SetAside
from metakit.core.records import Arm, StudyRecord
from metakit.core.values import OutcomeValue


class UnusableError(Exception):
    """A study, or an arm, cannot enter an analysis; the message is the reason shown to the reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """The choices that a sensitivity analysis varies; the values here are the headline's.

    `icc` is the correlation between the two thumbs of one patient. `per_event` says what happens to totals
    that count events rather than thumbs: left out, or taken at the fewest or the most thumbs that they allow.
    `derive_from_median` lets means and standard deviations be derived from medians and ranges;
    `borrowed_sd` is the standard deviation that a mean without any spread borrows from the other studies.
    `only_definition` keeps one of several mapped definitions. `adjusted` lets effects in that reports give
    ready: adjusted ones where there are any, only them, or only unadjusted ones; empty takes the arms'
    numbers.
    """

    icc: float
    per_event: Literal["set_aside", "fewest", "most"] = "set_aside"
    derive_from_median: bool = True
    borrowed_sd: float | None = None
    only_definition: str = ""
    adjusted: Literal["", "prefer", "only", "never"] = ""


EligibleSide = list[tuple[Arm, tuple[OutcomeValue, ...]]]
"""The arms of one side, each with the values that could enter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A study whose arms fit the question: one group of arms a side."""

    study: StudyRecord
    name: str
    sides: tuple[tuple[Arm, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmNumbers:
    """The numbers of one arm as typed (or derived), and after the design effect.

    `numbers` holds `events` and `total`, `mean`, `sd` and `total`, or `events` and `time`.
    """

    arm: Arm
    value: OutcomeValue
    numbers: Mapping[str, float]
    effective: Mapping[str, float]
    assumptions: tuple[Assumption, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SideNumbers:
    """One side of a study: its arms, and their numbers combined."""

    arms: tuple[ArmNumbers, ...]
    numbers: Mapping[str, float]
    effective: Mapping[str, float]

    @property
    def label(self) -> str:
        """Name of the side in this study, as its report has it."""
        return " + ".join(part.arm.label for part in self.arms)

    @property
    def values(self) -> tuple[OutcomeValue, ...]:
        """The typed values behind the side."""
        return tuple(part.value for part in self.arms)

    @property
    def sources(self) -> str:
        """Where in the reports the numbers stand."""
        return "; ".join(dict.fromkeys(value.source for value in self.values if value.source))

    @property
    def places(self) -> tuple[str, ...]:
        """Where in the records the numbers were typed."""
        return tuple(str(value.place) for value in self.values if value.place)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyNumbers:
    """One study as it enters an analysis.

    `ready` holds the columns of an effect that the report gives itself, on the scale of the analysis; the
    numbers of the sides are then shown as far as they are known and not pooled. `ready_measure` names its
    measure, and `adjusted_for` says for what it was adjusted.
    """

    study: StudyRecord
    name: str
    sides: tuple[SideNumbers, ...]
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()
    ready: Mapping[str, float] = field(default_factory=dict)
    ready_measure: str = ""
    adjusted_for: str = ""

    @property
    def values(self) -> tuple[OutcomeValue, ...]:
        """All typed values behind the study."""
        return tuple(value for side in self.sides for value in side.values)

    @property
    def has_effective_numbers(self) -> bool:
        """Whether a design effect changed the numbers."""
        return any(dict(side.numbers) != dict(side.effective) for side in self.sides)

    def columns(self, names: Sequence[str]) -> dict[str, float]:
        """Return a measure's raw columns: `events_1` is `events` of side 1, `events` of the only side."""
        if self.ready:
            return {name: float(self.ready[name]) for name in names}
        return {name: float(numbers[base]) for name, base, numbers in self._places(names, effective=True)}

    def reported_columns(self, names: Sequence[str]) -> dict[str, float]:
        """Return the same columns before the design effect, NaN where a report does not give them."""
        return {
            name: float(numbers.get(base, math.nan))
            for name, base, numbers in self._places(names, effective=False)
        }

    def _places(
        self, names: Sequence[str], *, effective: bool
    ) -> Iterator[tuple[str, str, Mapping[str, float]]]:
        for name in names:
            base, _, side = name.rpartition("_")
            found = self.sides[int(side) - 1 if side.isdigit() else 0]
            yield name, base if side.isdigit() else name, found.effective if effective else found.numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingRow:
    """A study with the right arms whose outcome is not in the analysis, and why."""

    study: str
    status: str
    reason: str

    def to_json(self) -> dict[str, Any]:
        """Return the row as JSON."""
        return {"study": self.study, "status": self.status, "reason": self.reason}


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """All studies of one analysis with their numbers, and everything that was left out or assumed."""

    studies: tuple[StudyNumbers, ...]
    candidates: tuple[Candidate, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    missing: tuple[MissingRow, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def assumptions(self) -> tuple[Assumption, ...]:
        """Every step between typed and analysed numbers, study by study."""
        return tuple(step for study in self.studies for step in study.assumptions)
