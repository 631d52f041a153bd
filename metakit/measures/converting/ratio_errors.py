"""Standard errors on the log scale from reported intervals and p values of ratios.

References
----------
Cochrane Handbook, section 6.3.
"""

from __future__ import annotations

import math

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting.derived import Derived, required, shown
from metakit.measures.converting.spread import critical_value, z_from_p

OFF_CENTRE = 0.05
"""Share of an interval's width by which an estimate may lie off its centre before a question is asked."""


def log_error_from_interval(
    estimate: float, lower: float, upper: float, *, level: float = 0.95
) -> Derived[float]:
    """Return the standard error of a log ratio from its interval.

    Parameters
    ----------
    estimate, lower, upper : float
        The ratio and its limits, all above 0.
    level : float
        Level of the interval.

    Returns
    -------
    Derived of float
        `doubt` is set when the estimate does not lie in the middle of its interval on the log scale.

    References
    ----------
    Cochrane Handbook, section 6.3.1.

    Examples
    --------
    >>> round(log_error_from_interval(0.85, 0.71, 1.02).value, 4)
    0.0924
    """
    ratio = required("a ratio", estimate, above=0)
    low, high = required("the lower limit", lower, above=0), required("the upper limit", upper, above=0)
    if not low < high:
        raise UsageError(f"the lower limit {shown(low)} must lie below the upper limit {shown(high)}")
    if not low <= ratio <= high:
        raise UsageError(
            f"the estimate {shown(ratio)} lies outside its interval {shown(low)} to {shown(high)}"
        )
    width = math.log(high / low)
    value = width / (2 * critical_value(level, math.inf, "normal"))
    return Derived(
        value=value,
        rule="standard error of the log ratio from its interval",
        inputs=(
            f"{shown(ratio)}, {100 * level:g} % interval {shown(low)} to {shown(high)} -> SE {shown(value)}"
        ),
        reference="handbook",
        doubt=off_centre(math.log(ratio), math.log(low), math.log(high)),
    )


def log_error_from_p(estimate: float, p_value: float) -> Derived[float]:
    """Return the standard error of a log ratio from its two-sided p value, |ln ratio| / z.

    Parameters
    ----------
    estimate : float
        The ratio, above 0 and not 1.
    p_value : float
        Two-sided p of the test against a ratio of 1, as exact as it is printed.

    Returns
    -------
    Derived of float

    Raises
    ------
    NotEstimableError
        For a ratio of 1 or a p of 1, from which no standard error follows.

    References
    ----------
    Cochrane Handbook, section 6.3.2.
    """
    ratio = required("a ratio", estimate, above=0)
    z = z_from_p(p_value)
    if ratio == 1 or p_value == 1:
        raise NotEstimableError("a ratio of 1, or a p value of 1, says nothing on the standard error")
    value = abs(math.log(ratio)) / z
    return Derived(
        value=value,
        rule="standard error of the log ratio from its p value",
        inputs=f"{shown(ratio)}, p {shown(p_value)} -> SE {shown(value)}",
        reference="handbook",
    )


def off_centre(estimate: float, lower: float, upper: float) -> str:
    """Return a question when an estimate is not in the middle of its interval, "" when it is.

    All three on the scale on which the interval should be symmetric. More than 5 % of the width is asked
    about (common practice, no source): rounding does less, a lost sign or a mistyped limit does more.
    """
    share = abs(estimate - (lower + upper) / 2) / (upper - lower)
    if share <= OFF_CENTRE:
        return ""
    return (
        f"the estimate lies {100 * share:.0f} % of the interval's width off its centre; look for a "
        "lost sign or a "
        "mistyped limit"
    )
