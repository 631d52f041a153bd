"""One arm: the mean of a score, and its mean change from before to after the operation.

Neither compares techniques: a change in one arm holds the natural course and regression to the mean as well.

References
----------
Cochrane Handbook, section 6.5.2.8 for the standard deviation of a change.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metakit.measures.column_rules import SIZE_WITH_SPREAD
from metakit.measures.kind import MEANS
from metakit.measures.registry import MEASURES, Columns, KernelEffects, Measure, finished
from metakit.measures.scales import DIFFERENCE

COLUMNS = ("mean", "sd", "total")
CHANGE = ("mean_before", "sd_before", "mean_after", "sd_after", "total", "correlation")


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def mean(data: Columns, *, scale: str = "identity", zero_cells: str = "none") -> KernelEffects:
    """Return the mean with variance s^2/n.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `mean`, `sd`, `total`.
    scale : {"identity"}
        The analysis scale.
    zero_cells : {"none"}
        Not used.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, section 6.5.

    Examples
    --------
    >>> mean({"mean": 18.0, "sd": 15.0, "total": 25.0}).variance
    array(9.)
    """
    value, sd, total = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in COLUMNS))
    return finished(value, sd**2 / total, used={"mean": value, "sd": sd, "total": total})


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def mean_change(data: Columns, *, scale: str = "identity", zero_cells: str = "none") -> KernelEffects:
    """Return mean_after - mean_before with variance (s_b^2 + s_a^2 - 2 r s_b s_a)/n.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `mean_before`, `sd_before`, `mean_after`, `sd_after`, `total`, `correlation` (r between the two
        times).
    scale : {"identity"}
        The analysis scale.
    zero_cells : {"none"}
        Not used.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, section 6.5.2.8.

    Examples
    --------
    >>> data = {"mean_before": 15.2, "sd_before": 6.4, "mean_after": 16.2, "sd_after": 7.1, "total": 129.0}
    >>> round(float(mean_change(data | {"correlation": 0.8}).effect), 3)
    1.0
    """
    before, sd_b, after, sd_a, total, r = np.broadcast_arrays(
        *(np.asarray(data[name], dtype=np.float64) for name in CHANGE)
    )
    # (s_b - s_a)^2 + 2 (1 - r) s_b s_a is the same sum without cancellation when r is near 1.
    variance = ((sd_b - sd_a) ** 2 + 2 * (1 - r) * sd_b * sd_a) / total
    used = dict(zip(CHANGE, (before, sd_b, after, sd_a, total, r), strict=True))
    return finished(after - before, variance, used=used)


def _reason(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    return "the mean or its variance leaves the range of numbers; check the means and standard deviations"


MEASURES.add(
    Measure(
        name="mean",
        label="mean",
        kind=MEANS,
        larger_means="more",
        unit_of_outcome=True,
        columns=COLUMNS,
        kernel=mean,
        scales=(DIFFERENCE,),
        null_value=None,
        reason=_reason,
        arms=1,
        rules={"total": SIZE_WITH_SPREAD},
        references=("handbook",),
    )
)
MEASURES.add(
    Measure(
        name="mean_change",
        label="mean change from before to after",
        kind=MEANS,
        larger_means="more",
        unit_of_outcome=True,
        columns=CHANGE,
        kernel=mean_change,
        scales=(DIFFERENCE,),
        null_value=0.0,
        reason=_reason,
        arms=1,
        rules={"total": SIZE_WITH_SPREAD},
        references=("handbook",),
    )
)
