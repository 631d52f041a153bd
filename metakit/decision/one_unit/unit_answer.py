"""What a unit can expect: events of a year's thumbs, over the years, and weighed, all from the same draws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from metakit.core.effects import FloatArray
from metakit.decision.one_unit.expected import (
    CountRange,
    Range,
    count_range,
    counts_about,
    counts_among,
    expected_in_calendar_year,
    expected_within,
)
from metakit.decision.one_unit.unit import Unit, UnitTechnique
from metakit.decision.one_unit.unit_cells import Cell

NO_COMPARISON = "only single-arm series, which compare nothing"


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
    technique does better. Both are None for the current technique and for single-arm series, which compare
    nothing. `counts` are the simulated counts behind `cohort`, one a draw.
    """

    cell: Cell
    per_thumb: Range
    cohort: CountRange | None = None
    by_year: tuple[YearCount, ...] = ()
    calendar: tuple[YearCount, ...] = ()
    change: Range | None = None
    better_share: float | None = None
    counts: FloatArray | None = field(default=None, repr=False, compare=False)


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
    change, better = None, None
    if cell.compares:
        gaps = risks - current.per_thumb(current.draws, years)
        change = Range.of((1.0 if cell.outcome.scored else volume) * gaps, mean=cell.has_mean)
        better = float(np.mean(cell.outcome.worse * gaps < 0))
    per_thumb = Range.of(risks, mean=cell.has_mean)
    if cell.outcome.scored:
        return Expectation(cell=cell, per_thumb=per_thumb, change=change, better_share=better)
    counts = counts_among(volume, risks, random=random)
    cohort = count_range(counts, volume * risks, thumbs=volume)
    by_year: tuple[YearCount, ...] = ()
    calendar: tuple[YearCount, ...] = ()
    if cell.per_year:
        *before, last = shown_years(years)
        by_year = (
            *(YearCount(year=year, counts=_within(volume, cell.draws, year, random)) for year in before),
            YearCount(year=last, counts=cohort),
        )
        calendar = tuple(
            YearCount(year=year, counts=_in_calendar(volume, cell.draws, year, random))
            # One year more than thumbs are followed shows that later events of older thumbs come on top.
            for year in shown_years(max(unit.years_operating, math.ceil(years) + 1))
        )
    return Expectation(
        cell=cell,
        per_thumb=per_thumb,
        cohort=cohort,
        counts=counts,
        by_year=by_year,
        calendar=calendar,
        change=change,
        better_share=better,
    )


def _within(volume: float, rates: FloatArray, year: float, random: np.random.Generator) -> CountRange:
    means = expected_within(volume, rates, year)
    return count_range(counts_among(volume, means / volume, random=random), means, thumbs=volume)


def _in_calendar(volume: float, rates: FloatArray, year: float, random: np.random.Generator) -> CountRange:
    means = expected_in_calendar_year(volume, rates, year)
    return count_range(counts_about(means, random=random), means)


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
    whole = {}
    for technique in unit.techniques:
        own = [by_place[technique.id, name] for name in weighted]
        if all(cell.is_current or cell.compares for cell in own):
            whole[technique.id] = {cell.outcome.term.id: _part(cell, unit.years.value) for cell in own}
    base = np.sum(list(whole[unit.current].values()), axis=0)
    found = []
    for technique in unit.techniques:
        own = [by_place[technique.id, name] for name in weighted]
        if technique.id not in whole:
            missing = [
                f"{cell.outcome.term.label}: {cell.reason or NO_COMPARISON}"
                for cell in own
                if not cell.compares
            ]
            found.append(Burden(technique=technique, reason="; ".join(missing)))
            continue
        parts = whole[technique.id]
        draws = np.sum(list(parts.values()), axis=0)
        current, has_mean = technique.id == unit.current, all(cell.has_mean for cell in own)
        found.append(
            Burden(
                technique=technique,
                total=Range.of(draws, mean=has_mean),
                parts=tuple(
                    (name, Range.of(part, mean=by_place[technique.id, name].has_mean).planned)
                    for name, part in parts.items()
                ),
                change=None if current else Range.of(draws - base, mean=has_mean),
                better_share=None if current else float(np.mean(draws < base)),
            )
        )
    return tuple(found)


def _part(cell: Cell, years: float) -> FloatArray:
    """Return what an outcome adds to the weighted sum of 100 thumbs, in draws."""
    weight = cell.outcome.weight
    factor = 100 * cell.outcome.worse * (weight.value if weight else 0.0)
    return factor * cell.per_thumb(cell.draws, years)
