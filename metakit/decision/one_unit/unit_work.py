"""Theatre hours and money of a year's thumbs, with the events that follow, from the draws of the page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.decision.one_unit.expected import Range
from metakit.decision.one_unit.unit import Unit, UnitOutcome, UnitTechnique
from metakit.decision.one_unit.unit_answer import Expectation

_HOUR = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """Hours, or money, of one year's thumbs: the operations, the events within the years followed, both.

    `implants` is the price of the implants alone (money only). `change` is the whole less that of the current
    technique; `change_first` the same of operations and implants alone, without any event. Both are None for
    the current technique. What is None was not typed, or its events have no answer; `events` and `change` are
    None for single-arm series, which compare nothing, and `why_not` says so.
    """

    first: float | None = None
    implants: float | None = None
    events: Range | None = None
    total: Range | None = None
    change: Range | None = None
    change_first: float | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Workload:
    """Theatre hours and money of one technique."""

    technique: UnitTechnique
    hours: Amounts
    cost: Amounts


@dataclass(frozen=True, slots=True, kw_only=True)
class _Whole:
    """One technique's operations and, in draws, its events; `draws` is None where an event has no answer."""

    first: float | None
    implants: float | None
    draws: FloatArray | None
    compares: bool
    sized: bool
    why_not: str


def workloads(unit: Unit, expected: Sequence[Expectation]) -> tuple[Workload, ...]:
    """Return hours and money by technique; empty when the unit typed neither minutes nor costs.

    Parameters
    ----------
    unit : Unit
    expected : sequence of Expectation
        Whose simulated counts the events are taken from.
    """
    volume = unit.volume.value

    def hours(technique: UnitTechnique) -> tuple[float | None, float | None]:
        minutes = technique.theatre_minutes
        return None if minutes is None else volume * minutes / _HOUR, None

    def money(technique: UnitTechnique) -> tuple[float | None, float | None]:
        cost, price = technique.cost, technique.implant_price
        return None if cost is None else volume * cost, None if price is None else volume * price

    time = _amounts(unit, expected, hours, lambda item: _over_60(item.theatre_minutes))
    cost = _amounts(unit, expected, money, lambda item: item.cost)
    found = tuple(
        Workload(technique=technique, hours=time[technique.id], cost=cost[technique.id])
        for technique in unit.techniques
    )
    typed = any(
        each is not None
        for item in found
        for part in (item.hours, item.cost)
        for each in (part.first, part.implants, part.events, part.total)
    )
    return found if typed else ()


def _amounts(
    unit: Unit,
    expected: Sequence[Expectation],
    first: Callable[[UnitTechnique], tuple[float | None, float | None]],
    size: Callable[[UnitOutcome], float | None],
) -> dict[str, Amounts]:
    sizes = {item.term.id: each for item in unit.outcomes if (each := size(item)) is not None}
    whole = {item.id: _whole(item, unit, expected, first(item), sizes) for item in unit.techniques}
    now = whole[unit.current]
    return {item.id: _told(whole[item.id], None if item.id == unit.current else now)
            for item in unit.techniques}  # fmt: skip


def _whole(
    technique: UnitTechnique,
    unit: Unit,
    expected: Sequence[Expectation],
    first: tuple[float | None, float | None],
    sizes: dict[str, float],
) -> _Whole:
    own = {item.cell.outcome.term.id: item for item in expected if item.cell.technique.id == technique.id}
    missing = [item.term.label for item in unit.outcomes if item.term.id in sizes and item.term.id not in own]
    if missing:
        why = f"no number for {', '.join(missing)}"
        return _Whole(first=first[0], implants=first[1], draws=None, compares=False, sized=True, why_not=why)
    draws: FloatArray | None = None
    for name, each in sizes.items():
        counts = own[name].counts
        if counts is not None:
            draws = each * counts if draws is None else draws + each * counts
    compares = all(own[name].cell.is_current or own[name].cell.compares for name in sizes)
    return _Whole(
        first=first[0],
        implants=first[1],
        draws=draws,
        compares=compares,
        sized=bool(sizes),
        why_not="" if compares else "events from single-arm series, which compare nothing",
    )


def _told(own: _Whole, now: _Whole | None) -> Amounts:
    fixed = None if own.first is None else own.first + (own.implants or 0.0)
    total = change = change_first = None
    if fixed is not None and (own.draws is not None or not own.sized):
        draws = np.array([fixed]) if own.draws is None else fixed + own.draws
        total = Range.of(draws)
        if now is not None and now.first is not None and own.compares:
            before = now.first + (now.implants or 0.0) + (0.0 if now.draws is None else now.draws)
            change = Range.of(np.atleast_1d(draws - before))
    if fixed is not None and now is not None and now.first is not None:
        change_first = fixed - now.first - (now.implants or 0.0)
    return Amounts(
        first=own.first,
        implants=own.implants,
        events=None if own.draws is None else Range.of(own.draws),
        total=total,
        change=change,
        change_first=change_first,
        why_not=own.why_not,
    )


def _over_60(minutes: float | None) -> float | None:
    return None if minutes is None else minutes / _HOUR
