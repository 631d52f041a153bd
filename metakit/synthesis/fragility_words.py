"""What an answer hangs on, in one breath beside the headline: one event, spread, empty arms."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.limits import Limits
from metakit.core.plans import ComparisonPlan
from metakit.core.results import PoolResult
from metakit.core.written import count
from metakit.measures.natural import NaturalValues, natural_values
from metakit.measures.registry import Measure
from metakit.models.differing.fragility import Flip, Fragility


def fragility_sentence(
    found: Fragility, result: PoolResult, measure: Measure, scale: str | None, comparison: ComparisonPlan
) -> str:
    """Say what the answer hangs on, "" where nothing of it can be said.

    Parameters
    ----------
    found : Fragility
        Facts on this very result.
    result : PoolResult
        The headline, with what stands beside it.
    measure, scale
        For natural units.
    comparison : ComparisonPlan
        Names of both arms.
    """
    values = natural_values(result, measure, scale)
    told = [_events(found, result, measure, values, comparison)]
    for depends, names, what in (
        (found.depends_on_spread, found.spread, "the spread between centres is"),
        (found.depends_on_empty_arms, found.empty_arms, "empty arms are"),
    ):
        if depends:
            others = _others(result, names, measure, values)
            told.append(f"Whether its interval holds no difference depends on how {what} treated: {others}.")
    return " ".join(text for text in told if text)


def _events(
    found: Fragility,
    result: PoolResult,
    measure: Measure,
    values: NaturalValues,
    comparison: ComparisonPlan,
) -> str:
    if found.reason or found.hangs_on_one_event is None or not found.tried:
        return ""
    if not found.flips:
        return (
            f"No single event more or less in an arm of a study would move the interval across no difference "
            f"({found.tried} changes tried)."
        )
    flip = _nearest(found, result)
    now = "holds" if found.side == "open" else "leaves out"
    then = "would leave it out" if found.side == "open" else "would hold it"
    limits = _interval(flip.interval, result, measure, values)
    return (
        f"The answer hangs on one event: its interval {now} no difference, and with "
        f"{_change(flip, comparison)} {then} ({limits}); so it is with "
        f"{count(len(found.flips), 'change')} of {found.tried}."
    )


def event_clause(found: Fragility, result: PoolResult, comparison: ComparisonPlan) -> str:
    """Say in a clause whether one event would change on which side the interval lies, "" if unknown."""
    if found.reason or found.hangs_on_one_event is None or not found.tried:
        return ""
    if not found.flips:
        return "no single event would change that"
    return f"{_change(_nearest(found, result), comparison)} would change that"


def _nearest(found: Fragility, result: PoolResult) -> Flip:
    """Return the change that moves the estimate least and yet turns the answer."""
    return min(found.flips, key=lambda item: abs(item.estimate - result.estimate))


def _change(flip: Flip, comparison: ComparisonPlan) -> str:
    label = comparison.technique_label if flip.arm == 1 else comparison.comparator_label
    return f"one event {'more' if flip.change > 0 else 'less'} after {label} in {flip.study}"


def _others(result: PoolResult, names: Sequence[str], measure: Measure, values: NaturalValues) -> str:
    return "; ".join(
        f"{item.label}, {_interval(item.interval, result, measure, values)}"
        for item in result.beside
        if item.name in names and item.interval
    )


def _interval(limits: Limits, result: PoolResult, measure: Measure, values: NaturalValues) -> str:
    low, high = (measure.natural_factor * float(result.back_transform(limit)) for limit in limits)
    return f"{values.show(low)} to {values.show(high)}"
