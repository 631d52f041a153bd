"""Quantiles of mixtures of normals, one a row."""

from __future__ import annotations

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.roots import root_in_bracket
from metakit.numerics.weights import IndexArray

_STEPS = 12
_TAIL = 9.5  # standard deviations beyond which a normal component holds nothing that matters


def mixture_quantile(
    weight: FloatArray, mean: FloatArray, deviation: FloatArray, probability: FloatArray
) -> FloatArray:
    """Return one quantile of each of n mixtures of J normals.

    Parameters
    ----------
    weight, mean, deviation : ndarray, shape (n, J)
        Weights of a row add up to 1; a weight of 0 leaves its component out.
    probability : ndarray, shape (n,)
        Strictly between 0 and 1.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Newton's method on the normal score of the distribution function, which is nearly a straight line; rows
    that it does not settle are bracketed. The upper tail is solved as the lower one of the mirrored mixture,
    so that turning the signs turns the answer.

    Examples
    --------
    >>> one = np.ones((1, 1))
    >>> round(float(mixture_quantile(one, 2 * one, 3 * one, np.array([0.975]))[0]), 4)
    7.8799
    """
    sign = np.where(probability > 0.5, -1.0, 1.0)
    wanted = np.minimum(probability, 1.0 - probability)
    turned = mean * sign[:, None]
    score = special.ndtri(wanted)
    centre = np.vecdot(weight, turned)
    spread = np.sqrt(np.vecdot(weight, deviation**2 + (turned - centre[:, None]) ** 2))
    value = centre + score * spread
    rows = np.arange(len(value))
    part = (weight, turned, 1.0 / deviation)
    for _ in range(_STEPS):
        weights, middles, sharpness = part
        z = (value[rows, None] - middles) * sharpness
        below = np.vecdot(weights, special.ndtr(z))
        density = np.vecdot(weights * sharpness, np.exp(-0.5 * z * z))
        here = special.ndtri(below)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            step = (here - score[rows]) * np.exp(-0.5 * here * here) / density
        sound = np.isfinite(step)
        value[rows[sound]] -= step[sound]
        going = ~(sound & (np.abs(step) <= 1e-7 * spread[rows]))
        if not going.any():
            return np.asarray(value * sign)
        if not going.all():
            rows = rows[going]
            part = (weights[going], middles[going], sharpness[going])
    value[rows] = _bracketed(weight[rows], turned[rows], deviation[rows], wanted[rows])
    return np.asarray(value * sign)


def _bracketed(
    weight: FloatArray, mean: FloatArray, deviation: FloatArray, probability: FloatArray
) -> FloatArray:
    """Return lower quantiles without slopes."""
    low = np.min(mean - _TAIL * deviation, axis=-1)
    high = np.max(mean + _TAIL * deviation, axis=-1)

    def excess(value: FloatArray, rows: IndexArray) -> FloatArray:
        z = (value[:, None] - mean[rows]) / deviation[rows]
        return np.asarray(np.vecdot(weight[rows], special.ndtr(z)) - probability[rows])

    return root_in_bracket(excess, low, high).root
