"""Studies with several arms compared with one: the covariance of their effects.

Combining arms is in `combining`. Entering each comparison with the whole shared arm would count its patients
several times.

References
----------
Cochrane Handbook, section 23.3.4. Gleser LJ, Olkin I (2009), Stochastically dependent effect sizes, in The
Handbook of Research Synthesis and Meta-Analysis, 2nd edition (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from metakit.core.effects import FloatArray
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.registry import MEASURES, Columns


def shared_comparator_covariance(measure: str, data: Columns, *, zero_cells: str | None = None) -> FloatArray:
    """Return the covariance matrix of the effects of one study's arms against one comparator.

    The diagonal holds the variances; off it stands the comparator's own part of them. Where a correction of
    zero cells changed the comparator differently in two comparisons, the geometric mean of its two parts is
    taken, which keeps the matrix positive definite.

    Parameters
    ----------
    measure : str
        A two-arm measure of counts, means or rates other than `peto_odds_ratio`.
    data : mapping of str to ndarray, shape (m,)
        The measure's raw columns, one row a comparison; arm 2 is the same in all rows.
    zero_cells : str, optional
        Zero-cell policy; the measure's first by default.

    Returns
    -------
    ndarray of float, shape (m, m)

    Raises
    ------
    UsageError
        For another measure, or when arm 2 differs between rows.
    NotEstimableError
        When a comparison has no effect.

    References
    ----------
    Cochrane Handbook, section 23.3.4; Gleser & Olkin (2009). For standardised mean differences, each with the
    standard deviation of its own two arms, the shared part is 1/n2 + g_i g_j n2/(2 N_i N_j) (delta method).
    """
    entry = MEASURES[measure]
    part = _SHARED.get(entry.name)
    if part is None:
        raise UsageError(
            f"no covariance is known for several effects of the measure {measure}; known: "
            f"{', '.join(_SHARED)}"
        )
    for name in entry.columns:
        if name.endswith("_2") and np.unique(data[name]).size > 1:
            raise UsageError(f"{name} differs between the rows: they do not share one comparator")
    kernel = entry.kernel(data, scale=entry.scale().name, zero_cells=entry.zero_cell_policy(zero_cells))
    if not bool(np.all(kernel.estimable)):
        raise NotEstimableError(
            "a comparison of the study has no effect, so that it has no covariance either"
        )
    root = np.sqrt(part(kernel.used))
    matrix = np.outer(root, root)
    if entry.name == "standardized_mean_difference":
        lever = kernel.effect / (kernel.used["total_1"] + kernel.used["total_2"])
        matrix += np.outer(lever, lever) * kernel.used["total_2"] / 2
    np.fill_diagonal(matrix, kernel.variance)
    return np.asarray(matrix, dtype=np.float64)


def _risk_ratio(used: Columns) -> FloatArray:
    return (used["total_2"] - used["events_2"]) / (used["events_2"] * used["total_2"])


def _odds_ratio(used: Columns) -> FloatArray:
    return 1 / used["events_2"] + 1 / (used["total_2"] - used["events_2"])


def _risk_difference(used: Columns) -> FloatArray:
    return used["events_2"] * (used["total_2"] - used["events_2"]) / used["total_2"] ** 3


def _arcsine(used: Columns) -> FloatArray:
    return 0.25 / used["total_2"]


def _rate_ratio(used: Columns) -> FloatArray:
    return 1 / used["events_2"]


def _mean_difference(used: Columns) -> FloatArray:
    return used["sd_2"] ** 2 / used["total_2"]


def _ratio_of_means(used: Columns) -> FloatArray:
    return (used["sd_2"] / used["mean_2"]) ** 2 / used["total_2"]


def _standardized(used: Columns) -> FloatArray:
    return 1 / used["total_2"]


_SHARED: dict[str, Callable[[Columns], FloatArray]] = {
    "risk_ratio": _risk_ratio,
    "odds_ratio": _odds_ratio,
    "risk_difference": _risk_difference,
    "arcsine_difference": _arcsine,
    "rate_ratio": _rate_ratio,
    "mean_difference": _mean_difference,
    "ratio_of_means": _ratio_of_means,
    "standardized_mean_difference": _standardized,
}
