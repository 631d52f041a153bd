"""Two arms with means and standard deviations: scores, pinch, grip, range of motion.

References
----------
Cochrane Handbook, chapters 6 and 10; Hedges (1981) for the standardised mean difference; Friedrich et al.
(2008) for the ratio of means.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metakit.core.effects import FloatArray
from metakit.measures.column_rules import SIZE_WITH_SPREAD
from metakit.measures.kind import MEANS
from metakit.measures.registry import MEASURES, Columns, KernelEffects, Measure, finished
from metakit.measures.scales import DIFFERENCE, RATIO
from metakit.measures.small_sample import hedges_factor
from metakit.measures.stable import log_ratio

COLUMNS = ("mean_1", "sd_1", "total_1", "mean_2", "sd_2", "total_2")
_RULES = {"total_1": SIZE_WITH_SPREAD, "total_2": SIZE_WITH_SPREAD}


def _columns_of(data: Columns) -> dict[str, FloatArray]:
    arrays = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in COLUMNS))
    return dict(zip(COLUMNS, arrays, strict=True))


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def pooled_sd(sd_1: FloatArray, total_1: FloatArray, sd_2: FloatArray, total_2: FloatArray) -> FloatArray:
    """Return the standard deviation within arms, sqrt(((n1-1) s1^2 + (n2-1) s2^2) / (n1+n2-2)).

    Parameters
    ----------
    sd_1, total_1, sd_2, total_2 : ndarray of float
        Shapes broadcast.

    Returns
    -------
    ndarray of float
    """
    squares = (total_1 - 1) * sd_1**2 + (total_2 - 1) * sd_2**2
    return np.asarray(np.sqrt(squares / (total_1 + total_2 - 2)), dtype=np.float64)


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def mean_difference(data: Columns, *, scale: str = "identity", zero_cells: str = "none") -> KernelEffects:
    """Return mean_1 - mean_2 with variance s1^2/n1 + s2^2/n2.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `mean_1`, `sd_1`, `total_1`, `mean_2`, `sd_2`, `total_2`, all in one unit.
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
    Cochrane Handbook, section 6.5.1.1. The variances are not assumed equal.

    Examples
    --------
    >>> data = {"mean_1": 94.0, "sd_1": 22.0, "total_1": 60.0, "mean_2": 92.0, "sd_2": 20.0, "total_2": 60.0}
    >>> round(float(mean_difference(data).variance), 4)
    14.7333
    """
    c = _columns_of(data)
    return finished(
        c["mean_1"] - c["mean_2"], c["sd_1"] ** 2 / c["total_1"] + c["sd_2"] ** 2 / c["total_2"], used=c
    )


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def standardized_mean_difference(
    data: Columns, *, scale: str = "identity", zero_cells: str = "none"
) -> KernelEffects:
    """Return Hedges' g = J (mean_1 - mean_2)/s with variance (n1+n2)/(n1 n2) + g^2/(2(n1+n2)).

    s is the standard deviation within arms and J the exact small-sample factor for n1 + n2 - 2 degrees of
    freedom. Where `direction` is -1 the sign is turned, so that instruments on which less is better and on
    which more is better can be pooled.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `mean_1`, `sd_1`, `total_1`, `mean_2`, `sd_2`, `total_2`; `direction` (1 or -1) if signs are to be
        turned.
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
    Hedges LV (1981). J Educ Stat 6:107-128. Cochrane Handbook, section 6.5.1.2.

    Examples
    --------
    >>> data = {"mean_1": 94.0, "sd_1": 22.0, "total_1": 60.0, "mean_2": 92.0, "sd_2": 20.0, "total_2": 60.0}
    >>> round(float(standardized_mean_difference(data).effect), 4)
    0.0945
    """
    c = _columns_of(data)
    spread = pooled_sd(c["sd_1"], c["total_1"], c["sd_2"], c["total_2"])
    size = c["total_1"] + c["total_2"]
    g = hedges_factor(size - 2) * ((c["mean_1"] - c["mean_2"]) / spread)
    variance = size / (c["total_1"] * c["total_2"]) + g**2 / (2 * size)
    if "direction" in data:
        c["direction"] = np.broadcast_to(np.asarray(data["direction"], dtype=np.float64), g.shape)
        g = g * c["direction"]
    return finished(g, variance, used=c)


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def ratio_of_means(data: Columns, *, scale: str = "log", zero_cells: str = "none") -> KernelEffects:
    """Return the log ratio of means ln(m1/m2) with variance s1^2/(n1 m1^2) + s2^2/(n2 m2^2).

    Both means must lie above 0; a study where one does not is not estimable.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `mean_1`, `sd_1`, `total_1`, `mean_2`, `sd_2`, `total_2`, on a scale with a true zero.
    scale : {"log"}
        The analysis scale.
    zero_cells : {"none"}
        Not used.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Friedrich JO, Adhikari NKJ, Beyene J (2008). BMC Med Res Methodol 8:32.

    Examples
    --------
    >>> data = {"mean_1": 94.0, "sd_1": 22.0, "total_1": 60.0, "mean_2": 92.0, "sd_2": 20.0, "total_2": 60.0}
    >>> round(float(ratio_of_means(data).effect), 4)
    0.0215
    """
    c = _columns_of(data)
    positive = (c["mean_1"] > 0) & (c["mean_2"] > 0)
    first = (c["sd_1"] / c["mean_1"]) ** 2 / c["total_1"]
    second = (c["sd_2"] / c["mean_2"]) ** 2 / c["total_2"]
    return finished(log_ratio(c["mean_1"], c["mean_2"]), first + second, informative=positive, used=c)


def _reason(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    return (
        "the difference or its variance leaves the range of numbers; check the means and standard deviations"
    )


def _reason_standardized(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    if row["total_1"] + row["total_2"] <= 3:
        return "fewer than four observations in all: the standardised mean difference has no expected value"
    return _reason(row, scale=scale, zero_cells=zero_cells)


def _reason_ratio(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    if min(row["mean_1"], row["mean_2"]) <= 0:
        return "a mean of 0 or below: a ratio of means exists only for means above 0; use the mean difference"
    return _reason(row, scale=scale, zero_cells=zero_cells)


MEASURES.add(
    Measure(
        name="mean_difference",
        label="mean difference",
        kind=MEANS,
        larger_means="more",
        unit_of_outcome=True,
        columns=COLUMNS,
        kernel=mean_difference,
        scales=(DIFFERENCE,),
        null_value=0.0,
        reason=_reason,
        rules=_RULES,
        references=("handbook",),
    )
)
MEASURES.add(
    Measure(
        name="standardized_mean_difference",
        label="standardised mean difference",
        kind=MEANS,
        larger_means="more",
        columns=COLUMNS,
        kernel=standardized_mean_difference,
        scales=(DIFFERENCE,),
        null_value=0.0,
        reason=_reason_standardized,
        optional_columns=("direction",),
        rules=_RULES,
        references=("hedges_1981", "handbook"),
    )
)
MEASURES.add(
    Measure(
        name="ratio_of_means",
        label="ratio of means",
        kind=MEANS,
        larger_means="more",
        columns=COLUMNS,
        kernel=ratio_of_means,
        scales=(RATIO,),
        null_value=0.0,
        reason=_reason_ratio,
        rules=_RULES,
        references=("friedrich_2008",),
    )
)
