"""Log hazard ratios with their standard error, from each form in which trials report them.

References
----------
Parmar MKB, Torri V, Stewart L (1998). Stat Med 17:2815-2834. Tierney JF et al. (2007). Trials 8:16.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from metakit.errors import UsageError
from metakit.measures.converting.derived import Derived, required, required_size, shown
from metakit.measures.converting.ratio_errors import log_error_from_interval
from metakit.measures.converting.spread import z_from_p


class LogHazardRatio(NamedTuple):
    """A log hazard ratio and its standard error."""

    log_hazard_ratio: float
    standard_error: float


def hazard_ratio_from_interval(
    hazard_ratio: float, lower: float, upper: float, *, level: float = 0.95
) -> Derived[LogHazardRatio]:
    """Return the log hazard ratio from the ratio and its interval.

    Parameters
    ----------
    hazard_ratio, lower, upper : float
        All above 0, arm 1 against arm 2.
    level : float
        Level of the interval.

    Returns
    -------
    Derived of LogHazardRatio

    References
    ----------
    Parmar et al. (1998), equations 6 and 7; Tierney et al. (2007).
    """
    error = log_error_from_interval(hazard_ratio, lower, upper, level=level)
    return Derived(
        value=LogHazardRatio(math.log(hazard_ratio), error.value),
        rule="log hazard ratio and standard error from the ratio and its interval",
        inputs=error.inputs,
        reference="parmar_1998",
        doubt=error.doubt,
    )


def hazard_ratio_from_logrank(
    observed_minus_expected: float, logrank_variance: float
) -> Derived[LogHazardRatio]:
    """Return the log hazard ratio (O - E)/V with standard error 1/sqrt V.

    Parameters
    ----------
    observed_minus_expected : float
        Log-rank O - E of arm 1.
    logrank_variance : float
        Its variance V, above 0.

    Returns
    -------
    Derived of LogHazardRatio

    References
    ----------
    Parmar et al. (1998), equation 1; Tierney et al. (2007).
    """
    excess = required("observed minus expected", observed_minus_expected)
    variance = required("the log-rank variance", logrank_variance, above=0)
    value = LogHazardRatio(excess / variance, 1 / math.sqrt(variance))
    return Derived(
        value=value,
        rule="log hazard ratio from observed minus expected events and their variance",
        inputs=f"O - E {shown(excess)}, V {shown(variance)} -> {_text(value)}",
        reference="parmar_1998",
    )


def hazard_ratio_from_p(
    p_value: float, events_1: float, events_2: float, *, fewer_in: Literal["arm_1", "arm_2"]
) -> Derived[LogHazardRatio]:
    """Return the log hazard ratio from the log-rank p value and the events of each arm.

    V is approximated by e1 e2/(e1 + e2), and the log hazard ratio is z/sqrt V with the sign of `fewer_in`.

    Parameters
    ----------
    p_value : float
        Two-sided p of the log-rank test, as exact as it is printed.
    events_1, events_2 : float
        Events in each arm, above 0.
    fewer_in : {"arm_1", "arm_2"}
        The arm with the lower hazard. A p value has no sign; the report's curves or text must say.

    Returns
    -------
    Derived of LogHazardRatio

    References
    ----------
    Parmar et al. (1998), equations 10 and 11; Tierney et al. (2007).

    Examples
    --------
    >>> round(math.exp(hazard_ratio_from_p(0.075, 229, 256, fewer_in="arm_1").value.log_hazard_ratio), 2)
    0.85
    """
    e1, e2 = required("events_1", events_1, above=0), required("events_2", events_2, above=0)
    variance = e1 * e2 / (e1 + e2)
    return _from_p(p_value, variance, fewer_in, f"events {shown(e1)} and {shown(e2)}")


def hazard_ratio_from_p_and_sizes(
    p_value: float,
    events: float,
    total_1: float,
    total_2: float,
    *,
    fewer_in: Literal["arm_1", "arm_2"],
) -> Derived[LogHazardRatio]:
    """Return the log hazard ratio from the log-rank p value, all events, and the sizes of the arms.

    V is approximated by events n1 n2/(n1 + n2)^2, a quarter of the events when arms are equal.

    Parameters
    ----------
    p_value : float
        Two-sided p of the log-rank test.
    events : float
        Events in both arms together, above 0.
    total_1, total_2 : float
        Sizes of the arms.
    fewer_in : {"arm_1", "arm_2"}
        The arm with the lower hazard.

    Returns
    -------
    Derived of LogHazardRatio

    References
    ----------
    Parmar et al. (1998), equations 8 and 9; Tierney et al. (2007).
    """
    n1, n2 = required_size("total_1", total_1, fewest=1), required_size("total_2", total_2, fewest=1)
    number = required("events", events, above=0)
    variance = number * n1 * n2 / (n1 + n2) ** 2
    return _from_p(p_value, variance, fewer_in, f"{shown(number)} events, n {shown(n1)} and {shown(n2)}")


def _from_p(p_value: float, variance: float, fewer_in: str, given: str) -> Derived[LogHazardRatio]:
    if fewer_in not in ("arm_1", "arm_2"):
        raise UsageError(f"fewer_in must be 'arm_1' or 'arm_2', not {fewer_in!r}")
    z = z_from_p(p_value)
    sign = -1.0 if fewer_in == "arm_1" else 1.0
    value = LogHazardRatio(sign * z / math.sqrt(variance), 1 / math.sqrt(variance))
    return Derived(
        value=value,
        rule="log hazard ratio from the log-rank p value and the number of events (approximate)",
        inputs=f"p {shown(p_value)}, {given}, fewer in {fewer_in.replace('_', ' ')} -> {_text(value)}",
        reference="tierney_2007",
    )


def _text(value: LogHazardRatio) -> str:
    return f"log hazard ratio {shown(value.log_hazard_ratio)}, SE {shown(value.standard_error)}"
