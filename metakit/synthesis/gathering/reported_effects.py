"""Effects that a report gives ready: a ratio or a difference with its interval, standard error or p value.

Nothing is typed as a logarithm; every step from what is printed to the scale of the analysis is logged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, NamedTuple

from metakit.core.records import ContrastValue
from metakit.errors import NotEstimableError
from metakit.measures.converting.derived import Derived, required, shown
from metakit.measures.converting.hazards import hazard_ratio_from_logrank, hazard_ratio_from_p
from metakit.measures.converting.ratio_errors import log_error_from_interval, log_error_from_p, off_centre
from metakit.measures.converting.spread import critical_value, z_from_p
from metakit.measures.kind import HAZARDS
from metakit.measures.registry import Measure

HAZARD_RATIO = "hazard_ratio"
READY_MEASURES = (
    "risk_ratio",
    "odds_ratio",
    "risk_difference",
    "rate_ratio",
    HAZARD_RATIO,
    "mean_difference",
    "standardized_mean_difference",
    "ratio_of_means",
)
"""What a contrast of a record may give; the form of a study has the same."""

Counts = tuple[Mapping[str, float], Mapping[str, float]]


class Ready(NamedTuple):
    """An effect on the scale of the analysis (the logarithm of a ratio) with its standard error."""

    effect: float
    standard_error: float


def ready_effect(contrast: ContrastValue, measure: Measure, counts: Counts | None = None) -> Derived[Ready]:
    """Return the effect of a contrast on the scale of the analysis, its arm against its comparator.

    The first of these that the report gives is taken: estimate with standard error, with interval, an
    interval alone (its middle is the estimate), for hazard ratios O - E with V, estimate with p value, and
    for hazard ratios a p value with the events of both arms.

    Parameters
    ----------
    contrast : ContrastValue
        With the numbers as printed.
    measure : Measure
        One of `READY_MEASURES`.
    counts : pair of mappings, optional
        `events` and `total` of its arm and of its comparator, for a p value alone.

    Returns
    -------
    Derived of Ready

    Raises
    ------
    MetakitError
        With a sentence when no standard error follows.

    References
    ----------
    Cochrane Handbook, sections 6.3.1 and 6.3.2; Parmar et al. (1998); Tierney et al. (2007).
    """
    ratio = measure.scales[0].axis == "log"
    value, error = contrast.estimate, contrast.standard_error
    low, high = contrast.interval_lower, contrast.interval_upper
    if value is not None and error is not None:
        return _with_error(value, required("a standard error", error, above=0), measure, ratio=ratio)
    if low is not None and high is not None:
        level = 0.95 if contrast.interval_level is None else contrast.interval_level
        return (_ratio_interval if ratio else _difference_interval)(value, low, high, level, measure)
    given, variance = contrast.observed_minus_expected, contrast.logrank_variance
    if measure.kind is HAZARDS and given is not None and variance is not None:
        logrank = hazard_ratio_from_logrank(given, variance)
        return _as_ready(logrank, Ready(*logrank.value))
    if contrast.p_value is None:
        raise NotEstimableError(f"a {measure.label} without interval, standard error or p value")
    if contrast.p_bound == ">":
        raise NotEstimableError(f"only “p > {contrast.p_value:g}”, from which no standard error follows")
    found = _from_p(value, contrast.p_value, measure, counts, ratio=ratio)
    if not contrast.p_bound:
        return found
    bound = (
        f"the report says p < {contrast.p_value:g}; taken as equal, so that the standard error is the largest"
    )
    return _as_ready(found, found.value, inputs=f"{found.inputs} ({bound})")


def _as_ready(found: Derived[Any], value: Ready, *, inputs: str = "") -> Derived[Ready]:
    return Derived(
        value=value,
        rule=found.rule,
        inputs=inputs or found.inputs,
        reference=found.reference,
        doubt=found.doubt,
    )


def _with_error(value: float, error: float, measure: Measure, *, ratio: bool) -> Derived[Ready]:
    if ratio:
        value = required(f"a {measure.label}", value, above=0)
        return Derived(
            value=Ready(math.log(value), error),
            rule=f"{measure.label} as reported, its logarithm with the standard error as reported",
            inputs=f"{shown(value)}, SE of the logarithm {shown(error)}",
            reference="handbook",
        )
    return Derived(
        value=Ready(required(f"a {measure.label}", value), error),
        rule=f"{measure.label} and standard error as reported",
        inputs=f"{shown(value)}, SE {shown(error)}",
        reference="handbook",
    )


def _ratio_interval(
    value: float | None, low: float, high: float, level: float, measure: Measure
) -> Derived[Ready]:
    middle = "" if value is not None else "; the estimate is the middle of the interval"
    if value is None:
        required("the lower limit", low, above=0)
        value = math.sqrt(low * high)
    error = log_error_from_interval(value, low, high, level=level)
    return Derived(
        value=Ready(math.log(value), error.value),
        rule=f"{measure.label} as reported, standard error of its logarithm from the interval{middle}",
        inputs=error.inputs,
        reference="parmar_1998" if measure.kind is HAZARDS else error.reference,
        doubt=error.doubt,
    )


def _difference_interval(
    value: float | None, low: float, high: float, level: float, measure: Measure
) -> Derived[Ready]:
    if not low < high:
        raise NotEstimableError(f"the lower limit {shown(low)} must lie below the upper limit {shown(high)}")
    middle = "" if value is not None else "; the estimate is the middle of the interval"
    if value is None:
        value = (low + high) / 2
    if not low <= value <= high:
        raise NotEstimableError(
            f"the estimate {shown(value)} lies outside its interval {shown(low)} to {shown(high)}"
        )
    error = (high - low) / (2 * critical_value(level, math.inf, "normal"))
    return Derived(
        value=Ready(value, error),
        rule=f"{measure.label} as reported, standard error from the interval{middle}",
        inputs=f"{shown(value)}, {100 * level:g} % interval {shown(low)} to {shown(high)} "
        f"-> SE {shown(error)}",
        reference="handbook",
        doubt=off_centre(value, low, high),
    )


def _from_p(
    value: float | None, p: float, measure: Measure, counts: Counts | None, *, ratio: bool
) -> Derived[Ready]:
    if value is None:
        if measure.kind is HAZARDS and counts is not None:
            return _from_p_and_events(p, counts)
        raise NotEstimableError(f"a p value without the {measure.label} that it belongs to")
    if ratio:
        log_error = log_error_from_p(value, p)
        return _as_ready(log_error, Ready(math.log(value), log_error.value))
    if value == 0 or p == 1:
        raise NotEstimableError("a difference of 0, or a p value of 1, says nothing on the standard error")
    error = abs(value) / z_from_p(p)
    return Derived(
        value=Ready(value, error),
        rule=f"{measure.label} as reported, standard error from its p value",
        inputs=f"{shown(value)}, p {shown(p)} -> SE {shown(error)}",
        reference="handbook",
    )


def _from_p_and_events(p: float, counts: Counts) -> Derived[Ready]:
    """Return the log hazard ratio behind a log-rank p value; the events tell which arm's hazard is lower.

    A p value has no sign. The arm with the smaller share of thumbs with an event is taken as the one with
    the lower hazard, which holds unless one arm was followed much longer (common practice, no source).
    """
    shares = [side["events"] / side["total"] for side in counts]
    if shares[0] == shares[1]:
        raise NotEstimableError("a p value has no sign, and both arms have the same share of events")
    fewer: Literal["arm_1", "arm_2"] = "arm_1" if shares[0] < shares[1] else "arm_2"
    found = hazard_ratio_from_p(p, counts[0]["events"], counts[1]["events"], fewer_in=fewer)
    sides = " against ".join(f"{side['events']:g} of {side['total']:g}" for side in counts)
    return _as_ready(
        found,
        Ready(*found.value),
        inputs=f"{found.inputs}; direction from {sides} with the event",
    )
