"""The standard error of an implant survival at a stated time, from what the report prints.

References
----------
Greenwood's formula for the standard error of a Kaplan-Meier estimate; Parmar et al. (1998) on reported
curves.
"""

from __future__ import annotations

import math

from metakit.errors import UsageError
from metakit.measures.converting.derived import Derived, required, shown
from metakit.measures.converting.ratio_errors import off_centre
from metakit.measures.converting.spread import critical_value


def survival_error_from_interval(
    survival: float, lower: float, upper: float, *, level: float = 0.95
) -> Derived[float]:
    """Return the standard error of a survival probability from its interval.

    Programs print intervals that are symmetric either around the survival itself or around ln(-ln S). The one
    in whose middle the estimate lies better is taken. Where a symmetric interval was cut at 1, its lower half
    is used.

    Parameters
    ----------
    survival : float
        Above 0 and below 1.
    lower, upper : float
        Limits of the interval, 0 <= lower < upper <= 1.
    level : float
        Level of the interval.

    Returns
    -------
    Derived of float
        The standard error of the survival itself (Greenwood's).

    Examples
    --------
    >>> round(survival_error_from_interval(0.922, 0.891, 0.961).value, 4)
    0.0179
    """
    s = required("a survival", survival, above=0, below=1)
    low, high = required("the lower limit", lower), required("the upper limit", upper)
    if not 0 <= low < high <= 1:
        raise UsageError(
            f"the limits of a survival lie between 0 and 1, the lower below the upper, not {low:g} "
            f"and {high:g}"
        )
    if not low <= s <= high:
        raise UsageError(f"the survival {shown(s)} lies outside its interval {shown(low)} to {shown(high)}")
    z = critical_value(level, math.inf, "normal")
    given = f"survival {shown(s)}, {100 * level:g} % interval {shown(low)} to {shown(high)}"
    if high == 1:
        if low == s:
            raise UsageError(f"an interval that ends at the survival {shown(s)} gives no standard error")
        value, how, doubt = (s - low) / z, "the lower half of an interval cut at 1", ""
    elif low == 0:
        value, how, doubt = (high - s) / z, "the upper half of an interval cut at 0", ""
    else:
        bent = [math.log(-math.log(limit)) for limit in (s, high, low)]
        off_plain = abs(s - (low + high) / 2) / (high - low)
        off_bent = abs(bent[0] - (bent[1] + bent[2]) / 2) / (bent[2] - bent[1])
        if off_bent < off_plain:
            value = (bent[2] - bent[1]) / (2 * z) * -s * math.log(s)
            how, doubt = "an interval symmetric on the complementary log-log scale", off_centre(*bent)
        else:
            value, how, doubt = (high - low) / (2 * z), "a symmetric interval", off_centre(s, low, high)
    if value <= 0:
        raise UsageError(f"an interval that ends at the survival {shown(s)} gives no standard error")
    return Derived(
        value=value,
        rule=f"standard error of the survival from {how}",
        inputs=f"{given} -> SE {shown(value)}",
        reference="parmar_1998",
        doubt=doubt,
    )
