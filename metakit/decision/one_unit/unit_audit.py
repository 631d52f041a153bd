"""A unit's own audit: when it could tell a difference, what to count, which totals are too far off."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.plans import Protocol
from metakit.decision.information import size_for_risks
from metakit.decision.one_unit.expected import expected_in_calendar_year
from metakit.decision.one_unit.unit import AuditYear, Unit, UnitOutcome
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_cells import Cell
from metakit.numerics.repeated_counts import (
    MOST_EXPECTED,
    CountLimits,
    critical_value,
    leaving,
    limits_at,
)

MONTHS = 12.0
DOUBLE, HALF = 2.0, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class YearsToTell:
    """How long the unit would have to count until it could tell a stated difference itself.

    `now` and `other` are risks of a thumb, `thumbs` those of both groups together, `years` whole years of
    operating with half of the thumbs in either group, `follow_up` years until the last one has been looked
    at. `typed` says that the unit typed the difference; else it is the review's. `why_not` says why there is
    no number.
    """

    outcome: UnitOutcome
    now: float = 0.0
    other: float = 0.0
    thumbs: float = 0.0
    years: int = 0
    follow_up: float = 0.0
    typed: bool = False
    why_not: str = ""


def years_to_tell(unit: Unit, expected: Sequence[Expectation], protocol: Protocol) -> tuple[YearsToTell, ...]:
    """Return the years until the unit's own audit could tell a difference, for every outcome of events.

    Parameters
    ----------
    unit : Unit
    expected : sequence of Expectation
    protocol : Protocol
        Of the review, which names the smallest important differences.

    References
    ----------
    Fleiss JL, Levin B, Paik MC (2003). Statistical methods for rates and proportions, 3rd ed, eq. 4.14.
    """
    important = {plan.outcome: plan.smallest_important_difference for plan in protocol.outcomes[::-1]}
    found = []
    for item in expected:
        outcome = item.cell.outcome
        if not item.cell.is_current or outcome.scored:
            continue
        difference = outcome.difference_to_tell or important.get(outcome.term.id)
        now = item.per_thumb.planned
        if not difference:
            found.append(
                YearsToTell(outcome=outcome, why_not="neither the unit nor the review states a difference")
            )
            continue
        other = now - difference / 100 if now > difference / 100 else now + difference / 100
        if not 0 < other < 1:
            found.append(YearsToTell(outcome=outcome, why_not="the difference is larger than what there is"))
            continue
        thumbs = size_for_risks(now, other)
        found.append(
            YearsToTell(
                outcome=outcome,
                now=now,
                other=other,
                thumbs=thumbs,
                years=math.ceil(thumbs / unit.volume.value),
                follow_up=unit.years.value if item.cell.per_year else (outcome.months or 0.0) / MONTHS,
                typed=outcome.difference_to_tell is not None,
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningTotal:
    """Events seen until the end of a year, held against those expected; `limits` are those at that number.

    `side` is 1 above the upper limit, -1 below the lower, 0 inside or beyond the planned watch.
    """

    year: int
    observed: float
    expected: float
    limits: CountLimits

    @property
    def side(self) -> int:
        """Where the count lies."""
        if self.observed >= self.limits.above:
            return 1
        low = self.limits.below
        return -1 if low is not None and self.observed <= low else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditPlan:
    """What an audit of another technique counts for one outcome, held against what is expected as now.

    `rows` are the limits at the end of each planned year. `critical` is the value of the log likelihood ratio
    that keeps false alarms at `alpha` until `rows[-1].expected` events are expected. `alarm_if_double` and
    `alarm_if_half` are the chances of leaving on the right side when the true rate is twice, or half, the
    expected one; `alarm_if_own` those of leaving although nothing changed, when the true rate of what is done
    now lies at the lower or upper limit of the unit's own interval. `totals` are the running totals of the
    techniques that the unit has audited. `why_not` says why there are no limits.
    """

    outcome: UnitOutcome
    per_year: bool
    rate: float = 0.0
    rows: tuple[CountLimits, ...] = ()
    critical: float = 0.0
    alarm_if_double: float = 0.0
    alarm_if_half: float = 0.0
    alarm_if_own: tuple[float, float] = (0.0, 0.0)
    totals: Mapping[str, tuple[RunningTotal, ...]] | None = None
    why_not: str = ""

    @property
    def horizon(self) -> float:
        """Expected number of events at the end of the planned watch."""
        return self.rows[-1].expected if self.rows else 0.0


def audit_plans(unit: Unit, cells: Sequence[Cell]) -> tuple[AuditPlan, ...]:
    """Return the plan of an audit for every outcome of events, with what was counted already."""
    if not unit.others:
        return ()
    return tuple(_plan(unit, cell) for cell in cells if cell.is_current and not cell.outcome.scored)


def _plan(unit: Unit, cell: Cell) -> AuditPlan:
    outcome, base = cell.outcome, cell.outcome.baseline
    if base is None:  # pragma: no cover - events have a baseline
        raise ValueError("an outcome of events without a baseline")
    years = np.arange(1, unit.audit_years + 1)
    rate = float(np.mean(cell.draws))
    if cell.per_year:
        each = [float(np.mean(expected_in_calendar_year(unit.volume.value, cell.draws, y))) for y in years]
    else:
        each = [unit.volume.value * rate] * len(years)
    expected = np.cumsum(each)
    counted = max((sum(row.total for row in rows) * rate for rows in outcome.audits.values()), default=0.0)
    horizon = float(max(expected[-1], counted))
    if horizon > MOST_EXPECTED:
        many = f"more than {MOST_EXPECTED:g} events are expected; count for fewer years"
        return AuditPlan(outcome=outcome, per_year=cell.per_year, rate=rate, why_not=many)
    critical = critical_value(horizon)
    ends = (base.lower / rate, base.upper / rate)
    return AuditPlan(
        outcome=outcome,
        per_year=cell.per_year,
        rate=rate,
        rows=tuple(limits_at(float(value), critical) for value in expected),
        critical=critical,
        alarm_if_double=leaving(critical, horizon, ratio=DOUBLE).above,
        alarm_if_half=leaving(critical, horizon, ratio=HALF).below,
        alarm_if_own=(
            leaving(critical, horizon, ratio=ends[0]).below,
            leaving(critical, horizon, ratio=ends[1]).above,
        ),
        totals={name: _totals(rows, rate, critical) for name, rows in outcome.audits.items()},
    )


def _totals(rows: Sequence[AuditYear], rate: float, critical: float) -> tuple[RunningTotal, ...]:
    found = []
    observed = expected = 0.0
    for row in rows:
        observed, expected = observed + row.events, expected + row.total * rate
        found.append(
            RunningTotal(
                year=row.year, observed=observed, expected=expected, limits=limits_at(expected, critical)
            )
        )
    return tuple(found)
