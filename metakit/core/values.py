"""Values as records hold them: where they stand, when, and what was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a value was typed: file, line and column of the record."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperPlace:
    """Where in its paper a value stands: page (from 1), box in points of the page, words, SHA-256 of the PDF.

    `field` is the address of the value: outcomes[A/any_complication/12/months].events.
    """

    field: str
    page: int
    box: tuple[float, float, float, float]
    quote: str = ""
    report: str = ""

    def __str__(self) -> str:
        return f"page {self.page}" + (f", “{self.quote}”" if self.quote else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """An interval of values; None is open. `lower_inside`, `upper_inside`: whether an end belongs to it."""

    lower: float | None = None
    upper: float | None = None
    lower_inside: bool = False
    upper_inside: bool = False
    as_reported: str = ""

    def holds(self, value: float) -> bool:
        """Say whether a value lies within."""
        above = self.lower is None or value > self.lower or (self.lower_inside and value == self.lower)
        below = self.upper is None or value < self.upper or (self.upper_inside and value == self.upper)
        return above and below

    def meets(self, other: Band) -> bool:
        """Say whether two bands have a value in common."""
        for one, two in ((self, other), (other, self)):
            if one.upper is not None and two.lower is not None:
                touch = one.upper_inside and two.lower_inside
                if one.upper < two.lower or (one.upper == two.lower and not touch):
                    return False
        return True

    def lies_in(self, other: Band) -> bool:
        """Say whether every value of this band lies in another one; an open end lies in an open end only."""
        low = other.lower is None or (
            self.lower is not None
            and (
                self.lower > other.lower
                or (self.lower == other.lower and (other.lower_inside or not self.lower_inside))
            )
        )
        high = other.upper is None or (
            self.upper is not None
            and (
                self.upper < other.upper
                or (self.upper == other.upper and (other.upper_inside or not self.upper_inside))
            )
        )
        return low and high

    def __str__(self) -> str:
        low = "" if self.lower is None else f"{self.lower:g}"
        high = "" if self.upper is None else f"{self.upper:g}"
        if low and high:
            if low == high:
                return low
            over = "" if self.lower_inside else "over "
            return f"{over}{low} to {'' if self.upper_inside else 'under '}{high}"
        if low:
            return f"{low} and more" if self.lower_inside else f"over {low}"
        return (f"up to {high}" if self.upper_inside else f"under {high}") if high else "any"


@dataclass(frozen=True, slots=True, kw_only=True)
class Angle:
    """MP hyperextension of an arm in degrees (beyond neutral positive), as typed or with its sign turned.

    `unusable` says why the numbers are None although typed.
    """

    mean: float | None = None
    standard_deviation: float | None = None
    median: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    over_30: int | None = None
    measured: str = ""
    unusable: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """Follow-up of an arm in months, and thumb-years with how they were obtained."""

    mean: float | None = None
    standard_deviation: float | None = None
    median: float | None = None
    shortest: float | None = None
    longest: float | None = None
    lost: int | None = None
    thumb_years: float | None = None
    thumb_years_basis: Literal["reported", "derived_mean", "derived_median", "not_available"] = (
        "not_available"
    )


Reporting = Literal["reported", "reported_zero", "not_reported", "measured_not_reported"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeValue:
    """One outcome of one arm at one time, as typed.

    Counts: `events` thumbs (or patients) with the event of `total`; `event_count` counts events, which may
    exceed them. Continuous: whatever the report gives; derived values are made later and logged, never
    stored here. `unit_as_reported` and `unit_factor`: the number typed times the factor is in the
    vocabulary's unit; the values here are already converted and `conversion` says how ("" when not).
    `unusable` says why the numbers typed cannot enter an analysis (unit or sign unclear); they are None then
    and stay in the record.
    """

    arm: str
    outcome: str
    months: float | None
    time_label: str
    unit_of_analysis: Literal["thumbs", "patients", "unclear"]
    reporting: Reporting
    author_definition: str = ""
    definition: str = ""
    events: int | None = None
    total: int | None = None
    event_count: int | None = None
    counted: Literal["per_thumb", "per_event", "unclear"] = "per_thumb"
    percent: float | None = None
    n: int | None = None
    kind: Literal["final", "change", "baseline"] = "final"
    mean: float | None = None
    standard_deviation: float | None = None
    standard_error: float | None = None
    interval_lower: float | None = None
    interval_upper: float | None = None
    interval_level: float | None = None
    median: float | None = None
    first_quartile: float | None = None
    third_quartile: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    limit: Band | None = None
    conversion: str = ""
    unusable: str = ""
    source: str = ""
    place: Place | None = None
    address: str = ""
