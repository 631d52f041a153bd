"""From the median of a distribution of studies to its average, on the natural scale."""

from __future__ import annotations

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.quadrature import gauss_hermite_rule

_NODES = 161


def logistic_normal_average(
    mean: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the mean of expit(mean + spread z), z standard normal, with its two partial derivatives.

    Parameters
    ----------
    mean, spread : ndarray, shape (B,)

    Returns
    -------
    average, by_mean, by_spread : ndarray, shape (B,)

    Examples
    --------
    >>> average, _, _ = logistic_normal_average(np.array([-3.0]), np.array([1.0]))
    >>> round(float(average[0]), 4)
    0.0693
    """
    points, log_weights = gauss_hermite_rule(_NODES)
    z = np.sqrt(2.0) * points[0]
    weight = np.exp(log_weights - points[0] ** 2) / np.sqrt(np.pi)
    p = special.expit(mean[:, None] + spread[:, None] * z)
    slope = p * (1.0 - p)
    return (weight * p).sum(axis=-1), (weight * slope).sum(axis=-1), (weight * slope * z).sum(axis=-1)


def log_normal_average(mean: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the mean of exp(mean + spread z), z standard normal, with its two partial derivatives."""
    average = np.exp(mean + spread**2 / 2)
    return average, average, average * spread
