"""The horizontal axis: what it covers, where a value falls, which ticks it has. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median, quantiles

from metakit.core.written import Axis, fixed, raised

Interval = tuple[float, float, float]
"""Estimate, lower and upper limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisPlan:
    """An axis in natural units from `low` to `high`, with ticks as (value, label)."""

    kind: Axis
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...] = ()

    def place(self, value: float) -> float:
        """Return where a value falls: 0 at the left end, 1 at the right, beyond them outside."""
        low, high = _forward(self.low, self.kind), _forward(self.high, self.kind)
        return (_forward(value, self.kind) - low) / (high - low)

    def holds(self, value: float) -> bool:
        """Return whether a value is on the axis."""
        return self.low <= value <= self.high


def _forward(value: float, kind: Axis) -> float:
    if kind == "log":
        return math.log10(value) if value > 0 else -math.inf
    return value


def _backward(value: float, kind: Axis) -> float:
    return 10**value if kind == "log" else value


def plan_axis(
    kind: Axis,
    *,
    studies: Sequence[Interval],
    means: Sequence[Interval] = (),
    null: float | None = None,
    label_width: Callable[[str], float],
    width: float,
    limits: tuple[float, float] | None = None,
    hand_ticks: Sequence[float] = (),
) -> AxisPlan:
    """Choose the axis for these intervals.

    Every mean and the null value are on it, and every study's estimate except one far from all others (over
    12 times their spread). A study's limit may lie beyond the ends; the picture shows that by an arrow.

    Parameters
    ----------
    kind : {"log", "linear", "percent"}
        On `percent` values are fractions.
    studies, means : sequence of (estimate, lower, upper)
        Natural units. Prediction intervals are given among `means`.
    null : float or None
        Value of no difference.
    label_width : callable
        Width of a tick label in points.
    width : float
        Length of the axis in points.
    limits : (float, float), optional
        Ends of the axis where they are set by hand.
    hand_ticks : sequence of float
        Ticks set by hand; the axis reaches all of them unless `limits` say otherwise.

    Raises
    ------
    UsageError
        When labels of ticks set by hand run into each other, or none is on the axis.
    """
    if limits is None:
        plan = _chosen_plan(kind, studies, means, null)
        if hand_ticks:
            plan = AxisPlan(kind=kind, low=min(plan.low, *hand_ticks), high=max(plan.high, *hand_ticks))
    else:
        plan = AxisPlan(kind=kind, low=limits[0], high=limits[1])
    ticks = (
        _hand_ticks(plan, hand_ticks, label_width, width)
        if hand_ticks
        else choose_ticks(plan, label_width=label_width, width=width)
    )
    return AxisPlan(kind=kind, low=plan.low, high=plan.high, ticks=ticks)


def _hand_ticks(
    plan: AxisPlan, values: Sequence[float], label_width: Callable[[str], float], width: float
) -> tuple[tuple[float, str], ...]:
    from metakit.errors import UsageError

    inside = sorted({value for value in values if plan.holds(value)})
    if not inside:
        raise UsageError(f"no tick lies on the axis from {plan.low:.4g} to {plan.high:.4g}")
    labels = tick_labels(inside, plan.kind)
    ends = [
        (
            width * plan.place(value) - label_width(label) / 2,
            width * plan.place(value) + label_width(label) / 2,
        )
        for value, label in zip(inside, labels, strict=True)
    ]
    if any(after[0] - before[1] < 2 for before, after in pairwise(ends)):
        raise UsageError(f"the labels of {len(inside)} ticks run into each other at this width: name fewer")
    return tuple(zip(inside, labels, strict=True))


def _chosen_plan(
    kind: Axis, studies: Sequence[Interval], means: Sequence[Interval], null: float | None
) -> AxisPlan:
    low, high = _range(kind, studies, means, null)
    pad = 0.04 * (high - low)
    if (
        null is None
        and kind != "log"
        and min((lower for _, lower, _ in (*studies, *means)), default=0.0) >= 0
    ):
        low, high = max(low - pad, -0.01 * (high - low)), high + pad  # nothing below 0: no axis there
    else:
        low, high = low - pad, high + pad
    if kind == "percent":
        low, high = max(low, -1.0 if null is not None else -0.01), min(high, 1.01)
    if kind == "log":
        low, high = _to_near_tick(low, high)
    return AxisPlan(kind=kind, low=_backward(low, kind), high=_backward(high, kind))


def _range(
    kind: Axis, studies: Sequence[Interval], means: Sequence[Interval], null: float | None
) -> tuple[float, float]:
    """Return the ends on the drawing scale, before padding."""

    def forward(values: Sequence[float]) -> list[float]:
        return [moved for value in values if math.isfinite(moved := _forward(value, kind))]

    estimates = forward([estimate for estimate, _, _ in studies])
    core = forward([value for mean in means for value in mean])
    if null is not None:
        core.append(_forward(null, kind))
    halves = [
        abs(reach - _forward(estimate, kind))
        for estimate, *limits in studies
        for limit in limits
        if math.isfinite(reach := _forward(limit, kind))
    ]
    half = median(halves) if halves else 0.0
    core += _without_far_ones(estimates, half)
    if not core or (max(core) == min(core) and half == 0):
        return _empty_range(kind, null, core)
    low, high = min(core), max(core)
    reach = max(0.75 * (high - low), 2 * half)
    limits = forward([value for _, *pair in studies for value in pair])
    low = max(low - reach, min([*limits, low]))
    high = min(high + reach, max([*limits, high]))
    if any(not math.isfinite(_forward(lower, kind)) for _, lower, _ in studies):
        low -= 0.1 * (high - low)  # room for the arrow of a limit without end
    if kind == "log" and high - low < 0.2:
        low, high = low - 0.1, high + 0.1
    return low, high


def _to_near_tick(low: float, high: float) -> tuple[float, float]:
    """Stretch a log axis to the next 1, 2 or 5 outside each end, where that is near."""
    steps = [
        decade + math.log10(lead)
        for decade in range(math.floor(low) - 1, math.ceil(high) + 2)
        for lead in (1, 2, 5)
    ]
    slack = 0.12 * (high - low)
    below = max(step for step in steps if step <= low + 1e-9)
    above = min(step for step in steps if step >= high - 1e-9)
    return (below if low - below <= slack else low), (above if above - high <= slack else high)


def _without_far_ones(estimates: list[float], half: float) -> list[float]:
    if len(estimates) < 4:
        return estimates
    first, middle, third = quantiles(estimates, n=4, method="inclusive")
    spread = max(third - first, half)
    return [value for value in estimates if abs(value - middle) <= 12 * spread]


def _empty_range(kind: Axis, null: float | None, core: Sequence[float]) -> tuple[float, float]:
    if kind == "percent":
        return (0.0, 1.0) if null is None else (-1.0, 1.0)
    middle = core[0] if core else 0.0
    reach = 1.0 if kind == "log" else max(1.0, abs(middle))
    return middle - reach, middle + reach


def choose_ticks(
    plan: AxisPlan, *, label_width: Callable[[str], float], width: float, most: int = 9
) -> tuple[tuple[float, str], ...]:
    """Return the densest regular ticks whose labels keep at least 6 points apart."""
    best: tuple[tuple[float, str], ...] = ()
    for values in _candidates(plan):
        inside = [value for value in values if plan.holds(value)]
        labels = tick_labels(inside, plan.kind)
        places = [plan.place(value) * width for value in inside]
        extents = [
            (place - label_width(label) / 2, place + label_width(label) / 2)
            for place, label in zip(places, labels, strict=True)
        ]
        apart = all(after[0] - before[1] >= 6 for before, after in pairwise(extents))
        if len(inside) <= most and apart and len(inside) > len(best):
            best = tuple(zip(inside, labels, strict=True))
        if len(best) >= 4 or (len(best) >= 2 and not apart):
            break
    return best


def _candidates(plan: AxisPlan) -> list[list[float]]:
    """Return tick sets from dense to sparse."""
    if plan.kind != "log":
        factor = 100 if plan.kind == "percent" else 1
        return [
            [value / factor for value in values]
            for values in _linear_sets(plan.low * factor, plan.high * factor)
        ]
    low, high = math.log10(plan.low), math.log10(plan.high)
    decades = range(math.floor(low), math.ceil(high) + 1)
    sets = [
        [lead * 10.0**decade for decade in decades for lead in leads] for leads in ((1, 2, 5), (1, 3), (1,))
    ]
    if high - low < 0.9:
        sets = [*_linear_sets(plan.low, plan.high), *sets]
    for step in (2, 3, 4, 6, 10, 20, 50, 100):
        sets.append([10.0**decade for decade in decades if decade % step == 0])
    return sets


def _linear_sets(low: float, high: float) -> list[list[float]]:
    span = high - low
    top = math.floor(math.log10(span))
    sets = []
    for power in (top - 1, top, top + 1):
        for lead in (1, 2, 2.5, 5):
            step = lead * 10.0**power
            if span / step <= 40:
                first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
                sets.append(
                    [round(i * step, 12 - power) if power < 12 else i * step for i in range(first, last + 1)]
                )
    return sets


def tick_labels(values: Sequence[float], kind: Axis) -> list[str]:
    """Label ticks alike: as few decimals as show them all exactly, powers of ten far out."""
    shown = [100 * value if kind == "percent" else value for value in values]
    if kind == "log" and shown and (min(shown) < 0.00099 or max(shown) > 10_001):
        return [f"10{raised(round(math.log10(value)))}" for value in shown]
    if kind == "log":
        return [f"{value:.6g}" for value in shown]
    decimals = 0
    while decimals < 6 and any(
        abs(value - round(value, decimals)) > 1e-9 * max(1, abs(value)) for value in shown
    ):
        decimals += 1
    return [fixed(value, decimals) for value in shown]
