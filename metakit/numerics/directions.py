"""Kernels for studies that are not pooled: the sign test of their directions, and Fisher's combination."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from metakit.core.effects import BoolArray, FloatArray


def sign_test(one_side: ArrayLike, both_sides: ArrayLike) -> FloatArray:
    """Return the two-sided exact p value of x of n directions when either is equally likely.

    Parameters
    ----------
    one_side, both_sides : array_like of float
        x and n, whole numbers, 0 <= x <= n; shapes broadcast. Without any direction (n = 0) it is 1.

    References
    ----------
    Cochrane Handbook 12.2.1.3: binomial probability test of the proportion 0.5.

    Examples
    --------
    >>> sign_test(11, 12).round(5)
    np.float64(0.00635)
    """
    x, n = np.broadcast_arrays(np.asarray(one_side, dtype=float), np.asarray(both_sides, dtype=float))
    if not ((x >= 0) & (x <= n) & (x == np.round(x)) & (n == np.round(n))).all():
        raise ValueError("directions must be whole numbers, and one side no more than both")
    fewer = np.minimum(x, n - x)
    return np.asarray(np.minimum(2 * special.bdtr(fewer, np.asarray(n, dtype=np.int64), 0.5), 1.0))[()]


def fisher_combination(
    log_p: ArrayLike, present: BoolArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Combine p values of independent studies: -2 sum(log p) against chi-squared with 2k degrees of freedom.

    Parameters
    ----------
    log_p : array_like of float, shape (..., k)
        Natural logarithms of one-sided p values that all point to the same side; logarithms, since a p
        value itself may be too small for a number.
    present : ndarray of bool, shape (..., k), optional
        False for padding.

    Returns
    -------
    statistic, df, p_value : ndarray of float, shape (...)
        With no study present: 0, 0 and 1.

    References
    ----------
    Fisher RA (1932). Statistical methods for research workers, 4th ed, section 21.1.
    """
    values = np.asarray(log_p, dtype=float)
    here = np.ones(values.shape, dtype=bool) if present is None else present
    if not (values[here] <= 0).all():
        raise ValueError("logarithms of p values must not be above 0, nor missing")
    statistic = -2 * np.where(here, values, 0.0).sum(axis=-1)
    df = 2.0 * here.sum(axis=-1)
    p_value = np.where(df > 0, special.chdtrc(np.maximum(df, 2.0), statistic), 1.0)
    return np.asarray(statistic)[()], np.asarray(df)[()], np.asarray(p_value)[()]
