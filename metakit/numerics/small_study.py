"""Means adjusted for small-study effects by regression on precision; studies last, batches before.

Closed forms for given variances. What they mean, and what they cannot tell, stands with the models.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import FloatArray
from metakit.numerics.meta_regression import regress


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrecisionRegression:
    """Weighted regression of effects on a measure of their imprecision; every array has the batch shape.

    The intercept is the effect expected of a study without sampling error. Errors hold the dispersion of the
    residuals as a factor of the variances (k - 2 degrees of freedom).
    """

    intercept: FloatArray
    intercept_error: FloatArray
    slope: FloatArray
    slope_error: FloatArray
    dispersion: FloatArray


def on_a_line(residual: float, effect: FloatArray, weight: FloatArray) -> bool:
    """Say whether a weighted residual sum of squares is zero but for rounding."""
    return residual <= 1e-24 * float(np.sum(weight * effect**2))


def precision_regression(effect: ArrayLike, variance: ArrayLike, predictor: ArrayLike) -> PrecisionRegression:
    """Regress effects on a predictor with weights 1 / variance and a dispersion that is estimated.

    Parameters
    ----------
    effect, variance, predictor : array_like, shape (..., k), k >= 3
        The predictor is the standard error (PET) or the variance (PEESE).

    References
    ----------
    Stanley TD, Doucouliagos H 2014, Res Synth Methods 5:60-78, equations 4 and 6 (from memory).

    Examples
    --------
    >>> found = precision_regression([1.0, 2.0, 3.0], [1.0, 4.0, 9.0], [1.0, 2.0, 3.0])
    >>> round(abs(float(found.intercept)), 9), round(float(found.slope), 9)
    (0.0, 1.0)
    """
    y, v, x = np.broadcast_arrays(*(np.asarray(part, dtype=float) for part in (effect, variance, predictor)))
    fit = regress(y, 1.0 / v, np.stack((np.ones_like(x), x), axis=-1))
    dispersion = fit.q / (y.shape[-1] - 2)
    error = np.sqrt(np.diagonal(fit.covariance, axis1=-2, axis2=-1) * np.asarray(dispersion)[..., None])
    return PrecisionRegression(
        intercept=fit.coefficients[..., 0],
        intercept_error=error[..., 0],
        slope=fit.coefficients[..., 1],
        slope_error=error[..., 1],
        dispersion=dispersion,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LimitFit:
    """The extended random-effects model and its limit for studies of infinite precision.

    estimate, standard_error : batch shape, the limit of the mean, beta + tau alpha.
    mean, bias : batch shape, beta and alpha; bias_error : of alpha.
    limit_effect : shape (..., k), each study's effect shrunken to what it would be at infinite precision.
    """

    estimate: FloatArray
    standard_error: FloatArray
    mean: FloatArray
    bias: FloatArray
    bias_error: FloatArray
    limit_effect: FloatArray


def limit_fit(effect: ArrayLike, variance: ArrayLike, tau2: ArrayLike) -> LimitFit:
    """Fit effect = beta + sqrt(variance + tau2) (alpha + noise), noise standard normal, by likelihood.

    Given tau2 this is a weighted regression on sqrt(variance + tau2) with known residual variance.

    Parameters
    ----------
    effect, variance : array_like, shape (..., k), k >= 3
    tau2 : array_like, batch shape

    References
    ----------
    Rücker G, Schwarzer G, Carpenter JR, Binder H, Schumacher M 2011, Biostatistics 12:122-142, sections 2
    and 3 (from memory).

    Examples
    --------
    >>> found = limit_fit([0.1, 0.2, 0.3], [0.01, 0.04, 0.09], 0.0)
    >>> round(abs(float(found.estimate)), 9), round(float(found.bias), 9)
    (0.0, 1.0)
    """
    y, v = np.broadcast_arrays(np.asarray(effect, dtype=float), np.asarray(variance, dtype=float))
    between = np.asarray(tau2, dtype=float)
    total = v + between[..., None]
    root = np.sqrt(total)
    fit = regress(y, 1.0 / total, np.stack((np.ones_like(root), root), axis=-1))
    tau = np.sqrt(between)
    mean, bias = fit.coefficients[..., 0], fit.coefficients[..., 1]
    spread = (
        fit.covariance[..., 0, 0] + 2 * tau * fit.covariance[..., 0, 1] + between * fit.covariance[..., 1, 1]
    )
    shrink = tau[..., None] / root
    return LimitFit(
        estimate=mean + tau * bias,
        standard_error=np.sqrt(spread),
        mean=mean,
        bias=bias,
        bias_error=np.sqrt(fit.covariance[..., 1, 1]),
        limit_effect=mean[..., None] + shrink * (y - mean[..., None]),
    )
