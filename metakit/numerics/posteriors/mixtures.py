"""Mixtures of normals: quantiles of many at once, and one as the posterior of an analysis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.roots import root_in_bracket
from metakit.numerics.weights import IndexArray

_STEPS = 12
_TAIL = 9.5  # standard deviations beyond which a normal component holds nothing that matters


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NormalMixturePosterior:
    """The mean effect and the effect in a new centre, as mixtures of J normals with common weights.

    Parameters
    ----------
    weight, mean, deviation, new_deviation : ndarray, shape (J,)
        On the analysis scale; `deviation` is of the mean effect, `new_deviation` of that in a new centre.
    """

    weight: FloatArray
    mean: FloatArray
    deviation: FloatArray
    new_deviation: FloatArray

    def below(self, value: ArrayLike, *, new_centre: bool = False) -> FloatArray:
        """Return the probability below each value."""
        at = np.asarray(value, dtype=float)
        deviation = self.new_deviation if new_centre else self.deviation
        return np.asarray(np.vecdot(self.weight, special.ndtr((at[..., None] - self.mean) / deviation)))

    def quantile(self, probability: ArrayLike, *, new_centre: bool = False) -> FloatArray:
        """Return the value with each probability below it; infinite at 0 and 1."""
        asked = np.asarray(probability, dtype=float)
        flat = asked.ravel()
        found = np.where(flat > 0.5, np.inf, -np.inf)
        inside = (flat > 0) & (flat < 1)
        shape = (int(inside.sum()), len(self.weight))
        deviation = self.new_deviation if new_centre else self.deviation
        found[inside] = mixture_quantile(
            np.broadcast_to(self.weight, shape),
            np.broadcast_to(self.mean, shape),
            np.broadcast_to(deviation, shape),
            flat[inside],
        )
        return found.reshape(asked.shape)


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
