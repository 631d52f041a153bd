"""Causes by the logistic-normal model: shares, bounds for thumbs without a stated cause, rates.

Causes are pooled among the thumbs whose cause is stated. How many of the thumbs that came back have none
stated is a share of its own, of two causes (stated, not stated), independent of the others beforehand and
therefore afterwards: the two likelihoods have no parameter in common. What is asked of all thumbs that came
back is then a product of independent quantities, s (1 - q) if none of those without a cause came back for
this one, and 1 - (1 - s)(1 - q) if all did; with the rate of all returns for how often that occurs. The mean
of a product is the product of the means, so that means of the parts add up to the mean of the whole.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from metakit.core.causes import Estimate, StudyReturns
from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.models.causes_of_return.causes_products import Rate, product_quantiles
from metakit.models.causes_of_return.causes_rates import PER, Size, WholeRate, in_bins
from metakit.numerics.posteriors.logistic_normal import LogisticNormal, logistic_normal
from metakit.numerics.posteriors.share_distribution import Distribution
from metakit.numerics.weights import IndexArray

_FEW = 24
"""Nodes of the share without a stated cause where it is one of three factors."""


class LogisticPool:
    """One cause of a posterior; `lost` is the share without a stated cause, None where all have one."""

    def __init__(self, found: LogisticNormal, place: int, lost: LogisticNormal | None, level: float) -> None:
        self.share = found.mean_share[place]
        self.ahead = found.new_centre[place]
        self.lost = lost
        self.tails = np.array([(1 - level) / 2, 0.5, (1 + level) / 2])

    def estimate(self) -> Estimate:
        """Return the share among the thumbs whose cause is stated."""
        lower, median, upper = self.share.quantiles(self.tails).tolist()
        low, high = self.ahead.quantiles(self.tails[[0, 2]]).tolist()
        # A new centre differs at least as much as the mean is uncertain; draws must not say less.
        ahead = Limits(min(low, lower), max(high, upper))
        return Estimate(mean=self.share.mean, median=median, interval=Limits(lower, upper), prediction=ahead)

    def if_none(self) -> Estimate | None:
        """Return the share among all that came back, if none of those without a cause came back for it."""
        if self.lost is None:
            return None
        kept = self.lost.mean_share[1]
        found = product_quantiles(self.share.below, as_rate(kept), self.tails)
        return _estimate(self.share.mean * kept.mean, found)

    def if_all(self) -> Estimate | None:
        """Return the same if all of them did."""
        if self.lost is None:
            return None
        kept = self.lost.mean_share[1]
        found = 1 - product_quantiles(_other(self.share), as_rate(kept), 1 - self.tails)
        return _estimate(1 - (1 - self.share.mean) * kept.mean, found)

    def rate(self, whole: WholeRate) -> Estimate:
        """Return the rate of returns for this cause, none of those without a cause counted."""
        now, ahead, mean = whole.rate, whole.ahead, whole.rate.mean * self.share.mean
        if self.lost is not None:
            now = _times(now, as_rate(self.lost.mean_share[1]))
            ahead = _times(ahead, _nodes(self.lost.new_centre[1]))
            mean *= self.lost.mean_share[1].mean
        lower, median, upper = product_quantiles(self.share.below, now, self.tails).tolist()
        low, high = product_quantiles(self.ahead.below, ahead, self.tails[[0, 2]]).tolist()
        return Estimate(
            mean=mean,
            median=median,
            interval=Limits(lower, upper),
            prediction=Limits(min(low, lower), max(high, upper)),
        )

    def rate_if_all(self, whole: WholeRate) -> Estimate | None:
        """Return the same with all of them counted."""
        if self.lost is None:
            return None
        kept = self.lost.mean_share[1]
        nodes, other = _nodes(kept), _other(self.share)

        def below(share: FloatArray) -> FloatArray:
            rest = (1 - share)[..., None] / nodes.value
            return np.asarray(1 - other(rest) @ nodes.weight)

        found = product_quantiles(below, whole.rate, self.tails)
        return _estimate(whole.rate.mean * (1 - (1 - self.share.mean) * kept.mean), found)


class LogisticGroup:
    """All causes of a group of studies.

    Parameters
    ----------
    pooled : sequence of StudyReturns
        Two or more of them state causes.
    names : sequence of str
        Causes.
    level : float
    exclusive : bool
        Every thumb has one cause: all causes are cells of one model; else each is set against all the others.

    Raises
    ------
    NotEstimableError
        When the draws are worth too little.
    """

    def __init__(
        self, pooled: Sequence[StudyReturns], names: Sequence[str], level: float, *, exclusive: bool
    ) -> None:
        counts = np.array([[study.counts.get(name, 0) for study in pooled] for name in names])
        stated = np.array([study.returned - study.not_stated for study in pooled])
        missing = np.array([study.not_stated for study in pooled])
        self.level = level
        self._cells = (
            [(_posterior(counts), place) for place in range(len(names))]
            if exclusive
            else [(_posterior(np.array([own, stated - own])), 0) for own in counts]
        )
        self.lost = _posterior(np.array([missing, stated])) if missing.any() else None

    @property
    def tails(self) -> FloatArray:
        """Probabilities of lower limit, median and upper limit."""
        return np.array([(1 - self.level) / 2, 0.5, (1 + self.level) / 2])

    @property
    def error(self) -> float:
        """Largest Monte Carlo error of a limit against the width of its interval."""
        return max(found.error for found, _ in self._cells)

    @property
    def tau(self) -> Estimate:
        """Spread between centres of the first cause's model: that of all where they are cells of one."""
        found, _ = self._cells[0]
        return _estimate(float(found.tau @ found.tau_weight), found.tau_quantiles(self.tails))

    def numbers(self, place: int, rates: Mapping[Size, WholeRate]) -> dict[str, Any]:
        """Return shares and rates of one cause by the names of their fields."""
        pool = LogisticPool(*self._cells[place], self.lost, self.level)
        found: dict[str, Any] = {
            "share": pool.estimate(),
            "share_if_none": pool.if_none(),
            "share_if_all": pool.if_all(),
        }
        for size, whole in rates.items():
            found[PER[size]] = pool.rate(whole)
            found[f"{PER[size]}_if_all"] = pool.rate_if_all(whole)
        return found

    def lost_rate(self, whole: WholeRate) -> Estimate:
        """Return the rate of returns without a stated cause, which completes the parts to the whole."""
        if self.lost is None:
            raise ValueError("every thumb has a stated cause")
        return LogisticPool(self.lost, 0, None, self.level).rate(whole)


def _posterior(counts: IndexArray) -> LogisticNormal:
    """Return a posterior; what was drawn in this run is not drawn again."""
    return _known(tuple(map(tuple, counts.tolist())))


@lru_cache(maxsize=64)
def _known(counts: tuple[tuple[int, ...], ...]) -> LogisticNormal:
    return logistic_normal(np.array(counts))


def as_rate(share: Distribution) -> Rate:
    """Return a share as values with probabilities, its mean kept."""
    value, weight = share.points
    return Rate(value=np.maximum(value, 1e-16), weight=weight / weight.sum())


def _nodes(share: Distribution) -> Rate:
    """Return a share as a few values of equal probability."""
    middle = (np.arange(_FEW) + 0.5) / _FEW
    value = np.maximum(share.quantiles(middle), 1e-16)
    return Rate(value=value, weight=np.full(_FEW, 1 / _FEW))


def _times(a: Rate, b: Rate) -> Rate:
    """Return the product of two independent quantities."""
    value, weight = np.outer(a.value, b.value).ravel(), np.outer(a.weight, b.weight).ravel()
    return in_bins(value, weight)


def _other(share: Distribution) -> Callable[[FloatArray], FloatArray]:
    """Return the probability of 1 minus the share below each value."""
    return lambda value: np.asarray(1 - share.below(1 - np.minimum(value, 1.0)))


def _estimate(mean: float, quantiles: FloatArray) -> Estimate:
    lower, median, upper = quantiles.tolist()
    return Estimate(mean=mean, median=median, interval=Limits(lower, upper))
