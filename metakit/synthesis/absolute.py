"""Absolute effects per 100 thumbs at the comparator's baseline in the same studies.

References
----------
Cochrane Handbook, sections 14.1.5.2 and 15.4.4 (from memory): comparative risks from an assumed one.
"""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.results import PoolResult
from metakit.measures.registry import Measure
from metakit.synthesis.findings import AbsoluteEffect
from metakit.synthesis.rows import StudyNumbers

RATIOS = {"risk_ratio", "rate_ratio"}
ODDS = {"odds_ratio", "peto_odds_ratio"}


def risk_with(measure: str, effect: float, baseline: float) -> float:
    """Return the risk, or rate, with the technique when the comparator's is `baseline`.

    Parameters
    ----------
    measure : str
        A ratio or difference of risks, odds or rates.
    effect : float
        In natural units (a ratio, or a difference of fractions).
    baseline : float
        Risk as a fraction, or a rate.

    Examples
    --------
    >>> round(1000 * risk_with("odds_ratio", 5.14, 0.020))
    95
    >>> round(1000 * risk_with("risk_ratio", 1.89, 0.100))
    189
    """
    if measure in RATIOS:
        return baseline * effect
    if measure in ODDS:
        odds = effect * baseline / (1 - baseline) if baseline < 1 else float("inf")
        return 1.0 if odds == float("inf") else odds / (1 + odds)
    if measure == "risk_difference":
        return baseline + effect
    raise ValueError(f"{measure} has no absolute effect")


def absolute_effect(
    result: PoolResult, measure: Measure, numbers: Sequence[StudyNumbers]
) -> AbsoluteEffect | None:
    """Return the effect per 100 at the baseline of all comparator arms together.

    None for measures without events, or when the comparator arms had no event: a ratio times nothing says
    nothing. The interval carries the uncertainty of the relative effect only.
    """
    if measure.name not in RATIOS | ODDS | {"risk_difference"}:
        return None
    size = "time" if measure.family.endswith("rates") else "total"
    events = sum(study.sides[1].numbers["events"] for study in numbers)
    total = sum(study.sides[1].numbers[size] for study in numbers)
    if total <= 0 or (events <= 0 and measure.name != "risk_difference"):
        return None
    baseline = events / total
    each = [study.sides[1].numbers["events"] / study.sides[1].numbers[size] for study in numbers]
    back = result.back_transform
    values = [
        risk_with(measure.name, float(back(value)), baseline)
        for value in (result.estimate, result.interval.lower, result.interval.upper)
    ]
    note = ""
    if size == "total" and (min(values) < 0 or max(values) > 1):
        values = [min(max(value, 0.0), 1.0) for value in values]
        note = "Values beyond 0 and 100 of 100 are shown as 0 and 100."
    return AbsoluteEffect(
        unit="thumb-years" if size == "time" else "thumbs",
        baseline=100 * baseline,
        baseline_events=events,
        baseline_total=total,
        baseline_lowest=100 * min(each),
        baseline_highest=100 * max(each),
        with_technique=100 * values[0],
        lower=100 * values[1],
        upper=100 * values[2],
        note=note,
    )
