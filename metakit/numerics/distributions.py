"""Quantiles and tail probabilities of the normal, t and chi-squared distributions, batch-wise."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.weights import scalar


def normal_quantile(level: float) -> float:
    """Return the two-sided normal quantile of an interval at `level` (1.96 for 0.95)."""
    return float(special.ndtri(0.5 + level / 2))


def t_quantile(level: float, df: FloatArray) -> FloatArray:
    """Return the two-sided t quantile of an interval at `level`.

    Infinite degrees of freedom give the normal quantile; none (df < 1) give infinity, an unbounded
    interval. A batch usually shares its degrees of freedom, so each distinct value is inverted once.
    """
    if np.ndim(df) == 0:
        return scalar(_t_quantile(level, float(df)))
    if len(df) and (df == df[0]).all():
        return np.full(df.shape, _t_quantile(level, float(df[0])))
    distinct, where = np.unique(df, return_inverse=True)
    return np.array([_t_quantile(level, float(value)) for value in distinct])[where].reshape(df.shape)


@lru_cache(maxsize=4096)
def _t_quantile(level: float, df: float) -> float:
    if df < 1:
        return math.inf
    return normal_quantile(level) if df == math.inf else float(special.stdtrit(df, 0.5 + level / 2))


def chi_squared_quantile(probability: float, df: FloatArray) -> FloatArray:
    """Return the chi-squared quantile at `probability` (lower tail)."""
    return np.asarray(special.chdtri(df, 1 - probability), dtype=float)


def chi_squared_tail(value: FloatArray, df: FloatArray) -> FloatArray:
    """Return the probability that a chi-squared variable exceeds `value`; 1 where `df` is 0."""
    return np.where(df > 0, special.chdtrc(np.maximum(df, 1.0), value), 1.0)
