"""Absolute effects per 100 thumbs at the comparator's baseline in the same studies.

References
----------
Cochrane Handbook, sections 14.1.5.2 and 15.4.4 (from memory): comparative risks from an assumed one.
"""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.results import PoolResult
from metakit.measures.absolute import risk_with
from metakit.measures.registry import Measure
from metakit.synthesis.baseline import Baseline, comparator_baseline
from metakit.synthesis.findings import AbsoluteEffect
from metakit.synthesis.rows import StudyNumbers

CUT = "Values beyond 0 and 100 of 100 are shown as 0 and 100."


def absolute_effect(
    result: PoolResult, measure: Measure, numbers: Sequence[StudyNumbers]
) -> AbsoluteEffect | None:
    """Return the effect per 100 at the pooled baseline of all comparator arms.

    None for measures without events, or when the comparator arms had no event: a ratio times nothing says
    nothing. The interval carries the uncertainty of the relative effect only.
    """
    baseline = baseline_of(measure, numbers, level=result.level)
    if baseline is None or (baseline.events <= 0 and measure.ratio):
        return None
    back = result.back_transform
    values = [
        float(risk_with(measure.name, float(back(value)), baseline.value))
        for value in (result.estimate, result.interval.lower, result.interval.upper)
    ]
    note = ""
    if not baseline.per_year and (min(values) < 0 or max(values) > 1):
        values = [min(max(value, 0.0), 1.0) for value in values]
        note = CUT
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
        note=note,
    )


def baseline_of(measure: Measure, numbers: Sequence[StudyNumbers], *, level: float) -> Baseline | None:
    """Return the comparator arms' baseline, None for measures that have no use for one."""
    if measure.at_baseline is None or not measure.kind.adds_up:
        return None
    return comparator_baseline(numbers, per_year=measure.at_baseline.per_year, level=level)
