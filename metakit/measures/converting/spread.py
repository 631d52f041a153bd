"""Standard deviations from what papers print instead: standard errors, intervals, t and p values.

References
----------
Cochrane Handbook, sections 6.5.2.2 to 6.5.2.8.
"""

from __future__ import annotations

import math
from typing import Literal

from scipy import special

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting.derived import Derived, required, required_level, required_size, shown

Quantile = Literal["t", "normal"]


def critical_value(level: float, df: float, quantile: Quantile = "t") -> float:
    """Return the two-sided quantile of Student's t, or of the normal, at a level.

    Parameters
    ----------
    level : float
        Such as 0.95.
    df : float
        Degrees of freedom; not used for the normal.
    quantile : {"t", "normal"}
        Which distribution.

    Returns
    -------
    float

    Examples
    --------
    >>> round(critical_value(0.95, 24), 4)
    2.0639
    """
    upper = (1 + required_level(level)) / 2
    if quantile == "normal":
        return float(special.ndtri(upper))
    if quantile != "t":
        raise UsageError(f"quantile must be 't' or 'normal', not {quantile!r}")
    return float(special.stdtrit(required("degrees of freedom", df, above=0), upper))


def sd_from_standard_error(standard_error: float, total: float) -> Derived[float]:
    """Return the standard deviation behind the standard error of one arm's mean, SE sqrt(n).

    Parameters
    ----------
    standard_error : float
        Above 0.
    total : float
        Number behind the mean.

    Returns
    -------
    Derived of float

    References
    ----------
    Cochrane Handbook, section 6.5.2.2.
    """
    error = required("a standard error", standard_error, above=0)
    size = required_size("the number behind a standard error", total)
    value = error * math.sqrt(size)
    return Derived(
        value=value,
        rule="standard deviation from the standard error of the mean, SE times the root of n",
        inputs=f"SE {shown(error)}, n {shown(size)} -> SD {shown(value)}",
        reference="handbook",
    )


def sd_from_interval(
    lower: float, upper: float, total: float, *, level: float = 0.95, quantile: Quantile = "t"
) -> Derived[float]:
    """Return the standard deviation behind the confidence interval of one arm's mean.

    Parameters
    ----------
    lower, upper : float
        Limits of the interval of the mean.
    total : float
        Number behind the mean.
    level : float
        Level of the interval.
    quantile : {"t", "normal"}
        The t quantile with n - 1 degrees of freedom (right for every n), or the normal one that some large
        studies use.

    Returns
    -------
    Derived of float

    References
    ----------
    Cochrane Handbook, section 6.5.2.2.

    Examples
    --------
    >>> round(sd_from_interval(12.1, 17.3, 25).value, 4)
    6.2988
    """
    width = _width(lower, upper)
    size = required_size("the number behind an interval", total)
    critical = critical_value(level, size - 1, quantile)
    value = math.sqrt(size) * width / (2 * critical)
    return Derived(
        value=value,
        rule=f"standard deviation from the interval of the mean, by the {quantile} quantile",
        inputs=(
            f"{100 * level:g} % interval {shown(lower)} to {shown(upper)}, n {shown(size)}, quantile "
            f"{shown(critical)} -> SD {shown(value)}"
        ),
        reference="handbook",
    )


def sd_from_difference_error(standard_error: float, total_1: float, total_2: float) -> Derived[float]:
    """Return the average standard deviation of two arms behind the standard error of their difference.

    SD = SE / sqrt(1/n1 + 1/n2), to be used for both arms.

    Parameters
    ----------
    standard_error : float
        Of the difference in means.
    total_1, total_2 : float
        Sizes of the arms.

    Returns
    -------
    Derived of float

    References
    ----------
    Cochrane Handbook, section 6.5.2.3.
    """
    error = required("a standard error", standard_error, above=0)
    n1, n2 = required_size("total_1", total_1, fewest=1), required_size("total_2", total_2, fewest=1)
    value = error / math.sqrt(1 / n1 + 1 / n2)
    return Derived(
        value=value,
        rule="one standard deviation for both arms from the standard error of their difference",
        inputs=f"SE {shown(error)}, n {shown(n1)} and {shown(n2)} -> SD {shown(value)}",
        reference="handbook",
    )


def sd_from_difference_interval(
    lower: float,
    upper: float,
    total_1: float,
    total_2: float,
    *,
    level: float = 0.95,
    quantile: Quantile = "t",
) -> Derived[float]:
    """Return the average standard deviation of two arms behind the interval of their difference.

    Parameters
    ----------
    lower, upper : float
        Limits of the interval of the difference in means.
    total_1, total_2 : float
        Sizes of the arms; t has n1 + n2 - 2 degrees of freedom.
    level : float
        Level of the interval.
    quantile : {"t", "normal"}
        Which quantile made the interval.

    Returns
    -------
    Derived of float

    References
    ----------
    Cochrane Handbook, section 6.5.2.3.
    """
    critical = critical_value(level, _df(total_1, total_2), quantile)
    error = _width(lower, upper) / (2 * critical)
    derived = sd_from_difference_error(error, total_1, total_2)
    return Derived(
        value=derived.value,
        rule=(
            "one standard deviation for both arms from the interval of their difference, by the "
            f"{quantile} quantile"
        ),
        inputs=f"{100 * level:g} % interval {shown(lower)} to {shown(upper)}; {derived.inputs}",
        reference="handbook",
    )


def sd_from_t(difference: float, t: float, total_1: float, total_2: float) -> Derived[float]:
    """Return the average standard deviation of two arms behind the t value of their difference.

    Parameters
    ----------
    difference : float
        Difference in means; only its size matters.
    t : float
        t statistic; only its size matters.
    total_1, total_2 : float
        Sizes of the arms.

    Returns
    -------
    Derived of float

    Raises
    ------
    NotEstimableError
        When the difference or t is 0: then no spread follows.

    References
    ----------
    Cochrane Handbook, section 6.5.2.3.
    """
    size, statistic = abs(required("a difference", difference)), abs(required("a t value", t))
    if size == 0 or statistic == 0:
        raise NotEstimableError("a difference or t value of 0 says nothing on the standard deviation")
    derived = sd_from_difference_error(size / statistic, total_1, total_2)
    return Derived(
        value=derived.value,
        rule="one standard deviation for both arms from the t value of their difference",
        inputs=f"difference {shown(size)}, t {shown(statistic)}; {derived.inputs}",
        reference="handbook",
    )


def sd_from_p(
    difference: float, p_value: float, total_1: float, total_2: float, *, exact: bool = True
) -> Derived[float]:
    """Return the average standard deviation of two arms behind the two-sided p value of a t test.

    Parameters
    ----------
    difference : float
        Difference in means; only its size matters.
    p_value : float
        Two-sided p of the t test with n1 + n2 - 2 degrees of freedom.
    total_1, total_2 : float
        Sizes of the arms.
    exact : bool
        False when the report only says "p below"; the bound is then taken as p, which gives a standard
        deviation that is too large rather than too small.

    Returns
    -------
    Derived of float

    Raises
    ------
    NotEstimableError
        When p is 1 or the difference 0: then no spread follows.

    References
    ----------
    Cochrane Handbook, section 6.5.2.3.

    Examples
    --------
    >>> round(sd_from_p(3.8, 0.008, 25, 22).value, 4)
    4.6835
    """
    t = t_from_p(p_value, _df(total_1, total_2))
    derived = sd_from_t(difference, t, total_1, total_2)
    bound = "" if exact else "; the p value is an upper bound, so the SD may be too large"
    return Derived(
        value=derived.value,
        rule="one standard deviation for both arms from the p value of their difference",
        inputs=f"p {shown(p_value)} -> {derived.inputs}{bound}",
        reference="handbook",
    )


def z_from_p(p_value: float) -> float:
    """Return the size of z behind a two-sided p value.

    Parameters
    ----------
    p_value : float
        Above 0 and at most 1.

    Returns
    -------
    float

    Examples
    --------
    >>> round(z_from_p(0.05), 4)
    1.96
    """
    return float(-special.ndtri(_checked_p(p_value) / 2))


def t_from_p(p_value: float, df: float) -> float:
    """Return the size of t behind a two-sided p value.

    Parameters
    ----------
    p_value : float
        Above 0 and at most 1.
    df : float
        Degrees of freedom.

    Returns
    -------
    float
    """
    return float(-special.stdtrit(required("degrees of freedom", df, above=0), _checked_p(p_value) / 2))


def _checked_p(p_value: float) -> float:
    if not 0 < p_value <= 1:
        raise UsageError(f"a p value must be above 0 and at most 1, not {p_value:g}")
    return float(p_value)


def _width(lower: float, upper: float) -> float:
    low, high = required("the lower limit", lower), required("the upper limit", upper)
    if high <= low:
        raise UsageError(f"the lower limit {shown(low)} must lie below the upper limit {shown(high)}")
    return high - low


def _df(total_1: float, total_2: float) -> float:
    n1, n2 = required_size("total_1", total_1, fewest=1), required_size("total_2", total_2, fewest=1)
    return n1 + n2 - 2
