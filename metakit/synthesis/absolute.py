"""Absolute effects per 100 thumbs at the comparator's baseline in the same studies.

References
----------
Cochrane Handbook, sections 14.1.5.2 and 15.4.4 (from memory): comparative risks from an assumed one.
"""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError
from metakit.measures.converting.carrying import carrier_for
from metakit.measures.registry import Measure
from metakit.synthesis.answers import AbsoluteEffect
from metakit.synthesis.baseline import Baseline, comparator_baseline
from metakit.synthesis.confidence import only_limit, point_of
from metakit.synthesis.gathering.rows import StudyNumbers


def absolute_effect(
    result: PoolResult, measure: Measure, numbers: Sequence[StudyNumbers]
) -> tuple[AbsoluteEffect | None, str]:
    """Return the effect per 100 at the pooled baseline of all comparator arms, and why there is none.

    None for measures without events, or when the comparator arms had no event: a ratio times nothing says
    nothing. The interval carries the uncertainty of the relative effect only. A reason is given where the
    effect does not fit the baseline; nothing is cut at 0 and 100.
    """
    baseline = baseline_of(measure, numbers, level=result.level)
    if baseline is None or (baseline.events <= 0 and measure.ratio):
        return None, ""
    ends = (point_of(result), result.interval.lower, result.interval.upper)
    effects = [float(result.back_transform(value)) for value in ends]
    try:
        carrier = carrier_for(
            measure.name, effects, baseline.value, per_year=baseline.per_year, home=baseline.value
        )
    except NotEstimableError as error:
        return None, f"No number per 100 thumbs: {error}."
    values = [float(risk) for risk in carrier.risk(effects, baseline.value)]
    low, high = sorted(values[1:])
    return AbsoluteEffect(
        unit=baseline.unit,
        baseline=100 * baseline.value,
        baseline_events=baseline.events,
        baseline_total=baseline.total,
        baseline_lowest=100 * (baseline.value if baseline.lowest is None else baseline.lowest),
        baseline_highest=100 * (baseline.value if baseline.highest is None else baseline.highest),
        with_technique=100 * values[0],
        lower=100 * low,
        upper=100 * high,
        note=carrier.reason,
        only_limit=only_limit(result),
    ), ""


def baseline_of(measure: Measure, numbers: Sequence[StudyNumbers], *, level: float) -> Baseline | None:
    """Return the comparator arms' baseline, None for measures that have no use for one."""
    if measure.at_baseline is None or not measure.kind.adds_up:
        return None
    return comparator_baseline(numbers, per_year=measure.at_baseline.per_year, level=level)
