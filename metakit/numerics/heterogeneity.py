"""Cochran's Q, and the ratios I2 and H2 with their intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import FloatArray
from metakit.numerics.distributions import chi_squared_tail, normal_quantile
from metakit.numerics.weights import Studies, weigh


@dataclass(frozen=True, slots=True, eq=False)
class CochranQ:
    """Cochran's Q with its degrees of freedom and p value; arrays of the batch shape."""

    value: FloatArray
    df: FloatArray
    p_value: FloatArray


def cochran_q(studies: Studies) -> CochranQ:
    """Weighted squared deviations from the common-effect mean (Cochran 1954)."""
    q, df = weigh(studies, 0.0).squares(), studies.count - 1
    return studies.unfold(CochranQ(q, df, chi_squared_tail(q, df)))


def typical_variance(studies: Studies) -> FloatArray:
    """Return the typical sampling variance of Higgins & Thompson (2002, eq. 9), of the batch shape.

    (k - 1) sum w / ((sum w)^2 - sum w^2); infinite for a single study, which has no spread to compare.
    """
    contrast = weigh(studies, 0.0).contrast_total()
    typical = np.full_like(contrast, np.inf)
    np.divide(studies.count - 1, contrast, out=typical, where=contrast > 0)
    return typical.reshape(studies.leading)


@dataclass(frozen=True, slots=True, eq=False)
class Ratios:
    """I2 and H2 belonging to one between-study variance; arrays of the batch shape."""

    i2: FloatArray
    h2: FloatArray


def ratios_from_tau2(typical: ArrayLike, tau2: ArrayLike) -> Ratios:
    """Return I2 = tau2 / (tau2 + s^2) and H2 = 1 / (1 - I2), with s^2 the typical variance.

    The limits of an interval for tau2 turn into limits for I2 and H2 in the same way.
    """
    share = np.asarray(tau2, dtype=float) / np.asarray(typical, dtype=float)
    return Ratios(
        np.where(np.isinf(share), 1.0, share / np.where(np.isinf(share), 1.0, 1.0 + share)), 1.0 + share
    )


@dataclass(frozen=True, slots=True, eq=False)
class RatiosFromQ:
    """I2 and H from Q with test-based limits; arrays of the batch shape.

    With fewer than three studies the test-based interval does not exist; its limits are then those that
    say nothing: 0 and 1 for I2, 1 and infinity for H.
    """

    i2: FloatArray
    i2_lower: FloatArray
    i2_upper: FloatArray
    h: FloatArray
    h_lower: FloatArray
    h_upper: FloatArray


def ratios_from_q(q: FloatArray, df: FloatArray, level: float = 0.95) -> RatiosFromQ:
    """I2 and H from Cochran's Q with the test-based interval of Higgins & Thompson (2002, eq. 11 and 12).

    Parameters
    ----------
    q, df : ndarray, batch shape
        Cochran's Q and its degrees of freedom k - 1.
    level : float

    Returns
    -------
    RatiosFromQ
        H and its limits are cut at 1, I2 and its limits at 0.
    """
    k = df + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        h = np.maximum(np.sqrt(q / df), 1.0)
        by_q = 0.5 * (np.log(q) - np.log(df)) / (np.sqrt(2 * q) - np.sqrt(2 * k - 3))
        by_k = np.sqrt((1 - 1 / (3 * (k - 2) * (k - 2))) / (2 * (k - 2)))
        half = np.exp(normal_quantile(level) * np.where(q > k, by_q, by_k))
        lower, upper = np.maximum(h / half, 1.0), np.maximum(h * half, 1.0)
    exists = df > 1
    h = np.where(df > 0, h, 1.0)
    lower, upper = np.where(exists, lower, 1.0), np.where(exists, upper, np.inf)

    def share(of_h: FloatArray) -> FloatArray:
        above = np.maximum(of_h, 1.0)
        return np.maximum(1 - 1 / (above * above), 0.0)

    return RatiosFromQ(share(h), share(lower), share(upper), h, lower, upper)
