"""How often thumbs come back for a cause: its share of the returns times the rate of all returns.

The rate of all returns has the posterior of the one-arm models (binomial on the logit or Poisson on the log,
the mean with Jeffreys' prior, tau half-normal 1). Share and rate are independent beforehand and their
likelihoods have no parameter in common, so that they are independent afterwards: the mean of the product is
the product of the means, and the means of all causes add up to the mean of the whole.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Literal

import numpy as np
from scipy import special

from metakit.core.causes import Estimate, StudyReturns
from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.measures.exact_intervals import clopper_pearson, exact_poisson
from metakit.models.causes_of_return.causes_products import Rate
from metakit.models.causes_of_return.causes_shares import SharePool
from metakit.numerics.of_counts.count_models import binomial_logit, poisson_log
from metakit.numerics.posteriors.grid_posterior import GridPosterior
from metakit.numerics.posteriors.half_normal_counts import half_normal_counts

SCALE = 1.0
_AHEAD = 24
_BINS_PER_LOG = 50
_NEGLIGIBLE = 1e-10

Size = Literal["thumbs", "time"]
SIZES: tuple[Size, ...] = ("thumbs", "time")
PER: Mapping[Size, str] = {"thumbs": "per_thumb", "time": "per_thumb_year"}
"""Names of the fields of an answer by size."""


def in_bins(value: FloatArray, weight: FloatArray) -> Rate:
    """Return a rate by bins of its values in the logarithm, each with its own mean: the mean stays exact."""
    place = np.floor(_BINS_PER_LOG * np.log(value)).astype(int)
    _, bins = np.unique(place, return_inverse=True)
    total = np.bincount(bins, weight).astype(float)
    return Rate(value=np.bincount(bins, weight * value) / total, weight=total)


class WholeRate:
    """The rate of all returns over studies that give the size: per thumb, or per thumb-year."""

    def __init__(self, studies: Sequence[StudyReturns], size: Size, level: float) -> None:
        known = [study for study in studies if getattr(study, size) is not None]
        self.size, self.level, self.k = size, level, len(known)
        self.events = np.array([float(study.returned) for study in known])
        self.sizes = np.array([float(getattr(study, size)) for study in known])
        self.known = known

    @property
    def tails(self) -> FloatArray:
        """Probabilities of lower limit, median and upper limit."""
        return np.array([(1 - self.level) / 2, 0.5, (1 + self.level) / 2])

    @cached_property
    def posterior(self) -> GridPosterior:
        """Posterior of the rate on the logit (per thumb) or log scale."""
        model = binomial_logit if self.size == "thumbs" else poisson_log
        return half_normal_counts(model(self.events, self.sizes), scale=SCALE).posterior

    def back(self, value: FloatArray) -> FloatArray:
        """Return rates from the analysis scale."""
        return np.asarray(special.expit(value) if self.size == "thumbs" else np.exp(value))

    @cached_property
    def rate(self) -> Rate:
        """The rate of the median centre."""
        found = self.posterior
        points = found.start[:, None] + found.step[:, None] * np.arange(found.share.shape[1])
        weight = (found.weight[:, None] * found.share).ravel()
        kept = weight > _NEGLIGIBLE
        return in_bins(self.back(points.ravel()[kept]), weight[kept] / weight[kept].sum())

    @cached_property
    def ahead(self) -> Rate:
        """The rate in a new centre, at the nodes of a Gauss rule over its distribution."""
        _, w = special.roots_legendre(_AHEAD)
        return Rate(value=self._new_centre[2:], weight=w / w.sum())

    @cached_property
    def _new_centre(self) -> FloatArray:
        """Limits of the rate in a new centre, then its values at the nodes of the rule."""
        x, _ = special.roots_legendre(_AHEAD)
        wanted = np.concatenate([self.tails[[0, 2]], (x + 1) / 2])
        return self.back(self.posterior.quantile(wanted, new_centre=True))

    def estimate(self) -> Estimate:
        """Return the rate of all returns."""
        if self.k == 1:
            return self.exact(float(self.events[0]))
        lower, median, upper = self.back(self.posterior.quantile(self.tails)).tolist()
        low, high = self._new_centre[:2].tolist()
        return Estimate(
            mean=self.rate.mean, median=median, interval=Limits(lower, upper), prediction=Limits(low, high)
        )

    def part(self, pool: SharePool, *, predicted: bool = True) -> Estimate:
        """Return the rate of returns for one cause, of two studies or more that give the size."""
        lower, median, upper = pool.table.product_quantiles(self.rate, self.tails).tolist()
        mean, interval = pool.mean * self.rate.mean, Limits(lower, upper)
        if not predicted:
            return Estimate(mean=mean, median=median, interval=interval)
        low, high = pool.table_ahead.product_quantiles(self.ahead, self.tails[[0, 2]]).tolist()
        ahead = Limits(min(low, lower), max(high, upper))
        return Estimate(mean=mean, median=median, interval=interval, prediction=ahead)

    def exact(self, events: float) -> Estimate:
        """Return a rate of the only study that gives the size, with exact limits."""
        exact = clopper_pearson if self.size == "thumbs" else exact_poisson
        lower, upper = exact(np.array(events), self.sizes[0], self.level)
        rate = events / float(self.sizes[0])
        return Estimate(mean=rate, median=rate, interval=Limits(float(lower), float(upper)))
