"""Share times rate: the distribution of a product of two independent quantities."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special
from scipy.interpolate import make_interp_spline

from metakit.core.effects import FloatArray
from metakit.numerics.posteriors.causes_limits import BetaParts

_POINTS = 240
_PLACES, _WITHIN, _ROUNDS = 64, 16, 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rate:
    """A rate as values with probabilities that add up to 1."""

    value: FloatArray
    weight: FloatArray

    @property
    def mean(self) -> float:
        """Mean of the rate."""
        return float(self.weight @ self.value)


class ShareTable:
    """The distribution of a share, tabulated once, to be multiplied by rates.

    The density of the log odds at the points of an even grid is interpolated by a spline and integrated; the
    error is below 1e-5.
    """

    def __init__(self, parts: BetaParts) -> None:
        low, high = parts.rough_log_odds(np.array([1e-6, 1 - 1e-6]))
        self._log_odds = np.linspace(max(low, min(high, 0.0) - 25.0), min(high + 1.0, 34.0), _POINTS)
        density = make_interp_spline(self._log_odds, parts.density(self._log_odds), k=5)
        mass = density.antiderivative()
        start, end = (float(value) for value in parts.below(self._log_odds[[0, -1]]))
        known = mass(self._log_odds) - mass(self._log_odds[0])
        scale = (end - start) / known[-1]  # one to within the error of the rule
        self._below = make_interp_spline(self._log_odds, start + scale * known, k=3)

    def below(self, share: FloatArray) -> FloatArray:
        """Return the probability of a share below each value, of any shape."""
        log_odds = special.logit(np.clip(share, 1e-300, 1.0))
        first, last = self._log_odds[0], self._log_odds[-1]
        inside = np.clip(self._below(np.clip(log_odds, first, last)), 0.0, 1.0)
        return np.where(log_odds >= last, 1.0, np.where(log_odds < first, inside * (share > 0), inside))

    def product_quantiles(self, rate: Rate, probabilities: FloatArray) -> FloatArray:
        """Return quantiles of share times rate, the two being independent, shape of `probabilities`."""
        return product_quantiles(self.below, rate, probabilities)


def product_quantiles(
    below: Callable[[FloatArray], FloatArray], rate: Rate, probabilities: FloatArray
) -> FloatArray:
    """Return quantiles of share times rate, the two being independent.

    Places all along the logarithm of the product, then again and again places between the two around each
    quantile: to 1e-6 of the quantile, also where the share is certain.

    Parameters
    ----------
    below : callable
        Probability of a share below each value, of any shape.
    rate : Rate
    probabilities : ndarray, shape (P,)

    Returns
    -------
    ndarray, shape (P,)
        A quantile below exp(-25) of the smallest rate is given as 0.
    """
    places = np.linspace(np.log(rate.value.min()) - 25.0, np.log(rate.value.max()) + 1e-9, _PLACES)
    mass = np.asarray(below(np.exp(places)[:, None] / rate.value) @ rate.weight)
    nothing = probabilities <= mass[0]
    rows = np.arange(len(probabilities))
    places, mass = np.tile(places, (len(rows), 1)), np.tile(mass, (len(rows), 1))
    for _ in range(_ROUNDS):
        first = np.clip((mass < probabilities[:, None]).sum(axis=-1) - 1, 0, mass.shape[1] - 2)
        places = np.linspace(places[rows, first], places[rows, first + 1], _WITHIN, axis=-1)
        mass = np.asarray(below(np.exp(places)[..., None] / rate.value) @ rate.weight)
    found = [np.interp(p, row, at) for p, row, at in zip(probabilities, mass, places, strict=True)]
    return np.where(nothing, 0.0, np.exp(found))
