"""What a unit can expect: events of a year's thumbs, over the years, in hours and money, weighed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.decision.one_unit.expected import (
    CountRange,
    count_range,
    expected_in_calendar_year,
    expected_within,
)
from metakit.decision.one_unit.unit import Unit, UnitTechnique
from metakit.decision.one_unit.unit_cells import Cell

LEVEL = 0.95
TAILS = (0.025, 0.975)


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A number at the estimate, with the range in new centres (no chance of single thumbs in it)."""

    value: float
    lower: float
    upper: float

    @classmethod
    def of(cls, value: float, draws: FloatArray) -> Range:
        """Return the middle 95 % of draws around a value."""
        low, high = np.quantile(draws, TAILS)
        return cls(value=float(value), lower=float(low), upper=float(high))

    def times(self, factor: float) -> Range:
        """Return the range in another unit; the factor is above 0."""
        return Range(value=factor * self.value, lower=factor * self.lower, upper=factor * self.upper)


@dataclass(frozen=True, slots=True, kw_only=True)
class YearCount:
    """Counts at one year: since the operation, or of the calendar since the unit began."""

    year: float
    counts: CountRange


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """One outcome with one technique in the unit.

    `per_thumb` is the risk within the years followed (for a score: its difference to the current technique).
    `cohort` counts the events of one year's thumbs within the years followed; None for scores. `by_year` and
    `calendar` exist for rates. `change` is the expected difference to the current technique per year's
    thumbs (per thumb for scores), with one baseline for both; `better_share` the share of draws in which the
    technique does better. None for the current technique.
    """

    cell: Cell
    per_thumb: Range
    cohort: CountRange | None = None
    by_year: tuple[YearCount, ...] = ()
    calendar: tuple[YearCount, ...] = ()
    change: Range | None = None
    better_share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Burden:
    """Weighted outcomes of a technique added up, per 100 thumbs, by the unit's own weights; lower is better.

    `parts` are the addends by outcome. `reason` says why there is no sum.
    """

    technique: UnitTechnique
    total: Range | None = None
    parts: tuple[tuple[str, float], ...] = ()
    change: Range | None = None
    better_share: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Workload:
    """Theatre hours and money of one year's thumbs within the years followed; None where not typed."""

    technique: UnitTechnique
    hours_first: float | None = None
    hours_again: Range | None = None
    cost_first: float | None = None
    cost_events: Range | None = None


def expectations(
    unit: Unit, cells: Sequence[Cell], *, random: np.random.Generator
) -> tuple[Expectation, ...]:
    """Return what to expect for every answered cell, in the order of the cells."""
    current = {cell.outcome.term.id: cell for cell in cells if cell.is_current}
    return tuple(
        _expectation(unit, cell, current[cell.outcome.term.id], random) for cell in cells if cell.answered
    )


def _expectation(unit: Unit, cell: Cell, current: Cell, random: np.random.Generator) -> Expectation:
    volume, years = unit.volume.value, unit.years.value
    risks = cell.per_thumb(cell.draws, years)
    risk = float(cell.per_thumb(cell.value, years))
    change, better = None, None
    if not cell.is_current:
        gaps = risks - current.per_thumb(current.draws, years)
        factor = 1.0 if cell.outcome.scored else volume
        gap = risk - float(current.per_thumb(current.value, years))
        change = Range.of(factor * gap, factor * gaps)
        better = float(np.mean(cell.outcome.worse * gaps < 0))
    shared = {
        "cell": cell,
        "per_thumb": Range.of(risk, risks),
        "change": change,
        "better_share": better,
    }
    if cell.outcome.scored:
        return Expectation(**shared)  # type: ignore[arg-type]
    cohort = count_range(volume * risk, volume * risks, random=random, most=volume, level=LEVEL)
    if not cell.per_year:
        return Expectation(**shared, cohort=cohort)  # type: ignore[arg-type]
    by_year = tuple(
        YearCount(
            year=year,
            counts=count_range(
                float(expected_within(volume, cell.value, year)),
                expected_within(volume, cell.draws, year),
                random=random,
                most=volume,
                level=LEVEL,
            ),
        )
        for year in shown_years(years)
    )
    calendar = tuple(
        YearCount(
            year=year,
            counts=count_range(
                float(expected_in_calendar_year(volume, cell.value, year)),
                expected_in_calendar_year(volume, cell.draws, year),
                random=random,
                level=LEVEL,
            ),
        )
        for year in shown_years(unit.years_operating)
    )
    return Expectation(**shared, cohort=cohort, by_year=by_year, calendar=calendar)  # type: ignore[arg-type]


def shown_years(last: float) -> tuple[float, ...]:
    """Return 1, 2, 3, 5, 10, ... up to the last year, and the last year itself."""
    steps = (1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0)
    return (*(step for step in steps if step < last), float(last))


def burdens(unit: Unit, cells: Sequence[Cell]) -> tuple[Burden, ...]:
    """Return the weighted sums of all techniques; empty with fewer than two weights above 0."""
    weighted = [item.term.id for item in unit.outcomes if item.weight is not None and item.weight.value > 0]
    if len(weighted) < 2:
        return ()
    by_place = {(cell.technique.id, cell.outcome.term.id): cell for cell in cells}
    sums = {}
    for technique in unit.techniques:
        own = [by_place[technique.id, name] for name in weighted]
        if all(cell.answered for cell in own):
            sums[technique.id] = [_part(cell, unit.years.value) for cell in own]
    base = sum(draws for _, draws in sums[unit.current])
    found = []
    for technique in unit.techniques:
        if technique.id not in sums:
            missing = [
                f"{cell.outcome.term.label}: {cell.reason}"
                for name in weighted
                if not (cell := by_place[technique.id, name]).answered
            ]
            found.append(Burden(technique=technique, reason="; ".join(missing)))
            continue
        parts = sums[technique.id]
        draws, value = sum(part for _, part in parts), sum(point for point, _ in parts)
        current = technique.id == unit.current
        gaps = np.asarray(draws - base)
        found.append(
            Burden(
                technique=technique,
                total=Range.of(value, np.asarray(draws)),
                parts=tuple(zip(weighted, (point for point, _ in parts), strict=True)),
                change=None
                if current
                else Range.of(value - sum(point for point, _ in sums[unit.current]), gaps),
                better_share=None if current else float(np.mean(gaps < 0)),
            )
        )
    return tuple(found)


def _part(cell: Cell, years: float) -> tuple[float, FloatArray]:
    """Return what an outcome adds to the weighted sum of 100 thumbs, at the estimate and in draws."""
    weight = cell.outcome.weight
    factor = 100 * cell.outcome.worse * (weight.value if weight else 0.0)
    return factor * float(cell.per_thumb(cell.value, years)), factor * cell.per_thumb(cell.draws, years)


def workloads(unit: Unit, cells: Sequence[Cell], *, random: np.random.Generator) -> tuple[Workload, ...]:
    """Return hours and money by technique; empty when the unit typed neither minutes nor costs."""
    found = []
    volume = unit.volume.value
    for technique in unit.techniques:
        own = [cell for cell in cells if cell.technique.id == technique.id and not cell.outcome.scored]
        minutes, cost = technique.theatre_minutes, technique.cost
        found.append(
            Workload(
                technique=technique,
                hours_first=None if minutes is None else volume * minutes / 60,
                hours_again=_added(
                    unit, own, [_over_60(cell.outcome.theatre_minutes) for cell in own], random
                ),
                cost_first=None if cost is None else volume * cost,
                cost_events=_added(unit, own, [cell.outcome.cost for cell in own], random),
            )
        )
    typed = any(
        value is not None
        for item in found
        for value in (item.hours_first, item.hours_again, item.cost_first, item.cost_events)
    )
    return tuple(found) if typed else ()


def _over_60(minutes: float | None) -> float | None:
    return None if minutes is None else minutes / 60


def _added(
    unit: Unit, cells: Sequence[Cell], sizes: Sequence[float | None], random: np.random.Generator
) -> Range | None:
    """Add up events times a size each; None when no size was typed or an outcome with one has no answer."""
    pairs = [(cell, size) for cell, size in zip(cells, sizes, strict=True) if size is not None]
    if not pairs or not all(cell.answered for cell, _ in pairs):
        return None
    volume, years = unit.volume.value, unit.years.value
    value = math.fsum(size * volume * float(cell.per_thumb(cell.value, years)) for cell, size in pairs)
    draws = np.zeros(len(pairs[0][0].draws))
    for cell, size in pairs:
        counts = random.poisson(volume * cell.per_thumb(cell.draws, years))
        draws += size * np.minimum(counts, volume)
    return Range.of(value, draws)
