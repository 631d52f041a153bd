"""Change from before to after: its standard deviation, and the correlation that it needs.

References
----------
Cochrane Handbook, section 6.5.2.8.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting.derived import Derived, required, shown

USUAL_CORRELATIONS = (0.3, 0.5, 0.7)
"""Correlations over which a change score is varied when none is known (common practice, no source)."""


def change_sd(sd_before: float, sd_after: float, correlation: float) -> Derived[float]:
    """Return the standard deviation of a change, sqrt(s_b^2 + s_a^2 - 2 r s_b s_a).

    Parameters
    ----------
    sd_before, sd_after : float
        Standard deviations before and after.
    correlation : float
        r between the two, between -1 and 1. It must be stated and varied: it is rarely reported.

    Returns
    -------
    Derived of float

    References
    ----------
    Cochrane Handbook, section 6.5.2.8.

    Examples
    --------
    >>> round(change_sd(6.4, 7.1, 0.8).value, 1)
    4.3
    """
    before = required("sd_before", sd_before, above=0)
    after = required("sd_after", sd_after, above=0)
    r = required("correlation", correlation, above=-1, below=1)
    value = math.sqrt((before - after) ** 2 + 2 * (1 - r) * before * after)
    return Derived(
        value=value,
        rule=(
            f"standard deviation of the change with an assumed correlation of {shown(r)} between before "
            "and after"
        ),
        inputs=f"SD before {shown(before)}, after {shown(after)} -> SD of change {shown(value)}",
        reference="handbook",
    )


def change_sd_range(
    sd_before: float, sd_after: float, correlations: Sequence[float] = USUAL_CORRELATIONS
) -> tuple[Derived[float], ...]:
    """Return the standard deviation of a change for several correlations, to be shown side by side."""
    return tuple(change_sd(sd_before, sd_after, r) for r in correlations)


def correlation_from_sds(sd_before: float, sd_after: float, sd_change: float) -> Derived[float]:
    """Return the correlation that three reported standard deviations imply.

    r = (s_b^2 + s_a^2 - s_c^2) / (2 s_b s_a), from a study that reports all three, to be used for one that
    does not.

    Parameters
    ----------
    sd_before, sd_after, sd_change : float
        Standard deviations before, after, and of the change.

    Returns
    -------
    Derived of float

    Raises
    ------
    NotEstimableError
        When no correlation fits: the change's standard deviation is impossible beside the other two.

    References
    ----------
    Cochrane Handbook, section 6.5.2.8.

    Examples
    --------
    >>> round(correlation_from_sds(6.4, 7.1, 4.5).value, 2)
    0.78
    """
    before = required("sd_before", sd_before, above=0)
    after = required("sd_after", sd_after, above=0)
    change = required("sd_change", sd_change, above=0)
    value = (before**2 + after**2 - change**2) / (2 * before * after)
    if abs(value) > 1:
        raise NotEstimableError(
            f"an SD of change of {shown(change)} is impossible beside SDs of {shown(before)} before "
            f"and {shown(after)} "
            "after; perhaps one of them is a standard error"
        )
    return Derived(
        value=value,
        rule="correlation between before and after from three standard deviations",
        inputs=(
            f"SD before {shown(before)}, after {shown(after)}, of change {shown(change)} -> r {shown(value)}"
        ),
        reference="handbook",
    )


def check_value_kinds(kinds: Sequence[str], *, standardized: bool) -> str:
    """Say what mixing final values and change scores means for an analysis.

    Parameters
    ----------
    kinds : sequence of {"final", "change"}
        One a study.
    standardized : bool
        Whether the differences are divided by a standard deviation.

    Returns
    -------
    str
        A note for the reader, "" where there is nothing to say.

    Raises
    ------
    UsageError
        When standardised differences would mix the two: their standard deviations measure different things.

    References
    ----------
    Cochrane Handbook, section 10.5.2.
    """
    both = {"final", "change"} <= set(kinds)
    if both and standardized:
        raise UsageError(
            "final values and change scores cannot be mixed in a standardised mean difference: their "
            "standard "
            "deviations measure different things; analyse one kind, or use the mean difference"
        )
    return (
        "Final values and change scores are pooled together, which mean differences allow (Cochrane "
        "Handbook 10.5.2)."
        if both
        else ""
    )
