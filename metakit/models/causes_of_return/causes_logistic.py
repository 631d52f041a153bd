"""Causes by the logistic-normal model: shares, bounds for thumbs without a stated cause, rates.

Causes are pooled among the thumbs whose cause is stated. How many of the thumbs that came back have none
stated is a share of its own, of two causes (stated, not stated), independent of the others beforehand and
therefore afterwards: the two likelihoods have no parameter in common. What is asked of all thumbs that came
back is then a product of independent quantities, s (1 - q) if none of those without a cause came back for
this one, and 1 - (1 - s)(1 - q) if all did; with the rate of all returns for how often that occurs. The mean
of a product is the product of the means, so that means of the parts add up to the mean of the whole.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from metakit.core.causes import Estimate, StudyReturns
from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.models.causes_of_return.causes_products import Rate, product_quantiles
from metakit.models.causes_of_return.causes_rates import PER, Size, WholeRate
from metakit.numerics.posteriors.logistic_normal import LogisticNormal, logistic_normal
from metakit.numerics.posteriors.share_distribution import Distribution
from metakit.numerics.weights import IndexArray


class LogisticPool:
    """One cause of a posterior; `lost` is the share without a stated cause, None where all have one."""

    def __init__(self, found: LogisticNormal, place: int, lost: LogisticNormal | None, level: float) -> None:
        self.share, self.new = found.mean_share[place], found.new_centre[place]
        self.lost = lost
        self.tails = np.array([(1 - level) / 2, 0.5, (1 + level) / 2])

    @cached_property
    def none(self) -> Distribution:
        """The share among all that came back, if none of those without a cause came back for it."""
        return self.share if self.lost is None else self.share.times(self.lost.mean_share[1])

    @cached_property
    def new_none(self) -> Distribution:
        """The same in a new centre."""
        return self.new if self.lost is None else self.new.times(self.lost.new_centre[1])

    @cached_property
    def most(self) -> Distribution | None:
        """The same if all of them came back for it."""
        return self.share.other.times(self.lost.mean_share[1]).other if self.lost else None

    def estimate(self) -> Estimate:
        """Return the share among the thumbs whose cause is stated."""
        return _estimate(self.share, self.tails, self.new)

    def if_none(self) -> Estimate | None:
        """Return the share among all that came back, if none of those without a cause came back for it."""
        return _estimate(self.none, self.tails) if self.lost else None

    def if_all(self) -> Estimate | None:
        """Return the same if all of them did."""
        return _estimate(self.most, self.tails) if self.most else None

    def rate(self, whole: WholeRate) -> Estimate:
        """Return the rate of returns for this cause, none of those without a cause counted."""
        found = _rate(self.none, whole.rate, self.tails)
        low, high = product_quantiles(self.new_none.below, whole.ahead, self.tails[[0, 2]]).tolist()
        ahead = Limits(min(low, found.interval.lower), max(high, found.interval.upper))
        return replace(found, prediction=ahead)

    def rate_if_all(self, whole: WholeRate) -> Estimate | None:
        """Return the same with all of them counted."""
        return _rate(self.most, whole.rate, self.tails) if self.most else None


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
        lower, median, upper = found.tau_quantiles(self.tails).tolist()
        mean = float(found.tau @ found.tau_weight)
        return Estimate(mean=mean, median=median, interval=Limits(lower, upper))

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


def _estimate(share: Distribution, tails: FloatArray, new: Distribution | None = None) -> Estimate:
    lower, median, upper = share.quantiles(tails).tolist()
    ahead = None
    if new is not None:
        # A new centre differs at least as much as the mean is uncertain; draws must not say less.
        low, high = new.quantiles(tails[[0, 2]]).tolist()
        ahead = Limits(min(low, lower), max(high, upper))
    return Estimate(mean=share.mean, median=median, interval=Limits(lower, upper), prediction=ahead)


def _rate(share: Distribution, rate: Rate, tails: FloatArray) -> Estimate:
    lower, median, upper = product_quantiles(share.below, rate, tails).tolist()
    return Estimate(mean=share.mean * rate.mean, median=median, interval=Limits(lower, upper))
