"""What stands between a record and an effect table: the numbers of one study in one analysis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from metakit.core.notes import Assumption, SetAside
from metakit.core.records import Arm, OutcomeValue, StudyRecord


class UnusableError(Exception):
    """A study, or an arm, cannot enter an analysis; the message is the reason shown to the reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """The choices that a sensitivity analysis varies; the values here are the headline's.

    `icc` is the correlation between the two thumbs of one patient. `per_event` says what happens to totals
    that count events rather than thumbs: left out, or taken at the fewest or the most thumbs that they allow.
    `derive_from_median` lets means and standard deviations be derived from medians and ranges;
    `borrowed_sd` is the standard deviation that a mean without any spread borrows from the other studies.
    `only_definition` keeps one of several mapped definitions.
    """

    icc: float
    per_event: Literal["set_aside", "fewest", "most"] = "set_aside"
    derive_from_median: bool = True
    borrowed_sd: float | None = None
    only_definition: str = ""


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
    """One study as it enters an analysis."""

    study: StudyRecord
    name: str
    sides: tuple[SideNumbers, ...]
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def values(self) -> tuple[OutcomeValue, ...]:
        """All typed values behind the study."""
        return tuple(value for side in self.sides for value in side.values)

    @property
    def has_effective_numbers(self) -> bool:
        """Whether a design effect changed the numbers."""
        return any(dict(side.numbers) != dict(side.effective) for side in self.sides)

    def columns(self, names: Sequence[str], *, effective: bool = True) -> dict[str, float]:
        """Return a measure's raw columns: `events_1` is `events` of side 1, `events` of the only side."""
        found = {}
        for name in names:
            base, _, side = name.rpartition("_")
            index = int(side) - 1 if side.isdigit() else 0
            numbers = self.sides[index].effective if effective else self.sides[index].numbers
            found[name] = float(numbers[base if side.isdigit() else name])
        return found


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
