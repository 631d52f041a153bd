"""The distribution of a share from weighted draws, counted in even steps of its log odds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray

_EDGES = np.arange(-36.0, 36.01, 0.02)
"""Log odds between which draws are counted; 0 and 1 are beyond them."""
_SLICES = 40
PLACES = len(_EDGES) + 1
"""Steps in which draws are counted, with what lies beyond either end."""


@dataclass(frozen=True, slots=True, eq=False)
class Distribution:
    """A share as the probabilities of even steps of its log odds, and its mean.

    Attributes
    ----------
    below_edge : ndarray, shape (edges,)
        Probability below each of the edges of the log odds.
    mean : float
    """

    below_edge: FloatArray
    mean: float

    def below(self, share: FloatArray) -> FloatArray:
        """Return the probability of a share below each value, of any shape."""
        log_odds = special.logit(np.clip(share, 1e-300, 1.0))
        return np.interp(log_odds, _EDGES, self.below_edge, left=0.0, right=1.0)

    def quantiles(self, probabilities: FloatArray) -> FloatArray:
        """Return quantiles, shape of `probabilities`; below the first edge (2e-16) a quantile is 0."""
        found = special.expit(np.interp(probabilities, self.below_edge, _EDGES))
        return np.where(probabilities <= self.below_edge[0], 0.0, found)

    @property
    def other(self) -> Distribution:
        """1 minus the share."""
        return Distribution(1.0 - self.below_edge[::-1], 1.0 - self.mean)

    def times(self, factor: Distribution) -> Distribution:
        """Return the product with an independent share: the mean is the product of the means.

        The factor is taken at the middle of slices of equal probability.
        """
        middle = (np.arange(_SLICES) + 0.5) / _SLICES
        value = np.maximum(factor.quantiles(middle), 1e-16)
        below = self.below(special.expit(_EDGES)[:, None] / value).mean(axis=-1)
        return Distribution(below, self.mean * factor.mean)


def counted(shares: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the weight of shares below, between and above the edges, shape (C, edges + 1)."""
    log_odds = special.logit(np.clip(shares, 1e-300, 1.0))
    step = _EDGES[1] - _EDGES[0]
    place = (np.clip(log_odds, _EDGES[0] - step, _EDGES[-1]) - _EDGES[0] + step) / step
    return np.array([np.bincount(row, weight, minlength=PLACES) for row in place.astype(int)])


def distribution(mass: FloatArray, mean: float = np.nan) -> Distribution:
    """Return the distribution that counted weights describe."""
    return Distribution(np.cumsum(mass)[:-1] / mass.sum(), float(mean))


def below_by_nodes(
    tau: FloatArray, density: FloatArray, ends: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return values of tau and the probability below each; the logarithm of the density is smooth."""
    places = np.linspace(*ends, 2001)
    known = np.exp(smooth(tau, np.log(np.maximum(density, 1e-300)), places))
    below = np.concatenate([[0.0], np.cumsum((known[1:] + known[:-1]) / 2)])
    return places, below / below[-1]


def smooth(nodes: FloatArray, values: FloatArray, places: FloatArray) -> FloatArray:
    """Return a curve through values: Hermite's cubic between nodes, level beyond them."""
    x = np.clip(places, nodes[0], nodes[-1])
    left = np.clip(np.searchsorted(nodes, x) - 1, 0, len(nodes) - 2)
    width = np.diff(nodes)[left]
    t, slope = (x - nodes[left]) / width, np.gradient(values, nodes)
    start, end = values[left], values[left + 1]
    bend = slope[left] * width * t * (1 - t) ** 2 - slope[left + 1] * width * t**2 * (1 - t)
    return np.asarray(start + (end - start) * t**2 * (3 - 2 * t) + bend)
