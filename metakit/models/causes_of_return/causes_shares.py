"""One share of the thumbs that came back: its interval, its prediction, and what it makes of a rate."""

from __future__ import annotations

from functools import cached_property, lru_cache
from typing import Self

import numpy as np

from metakit.core.causes import Estimate
from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.measures.exact_intervals import clopper_pearson
from metakit.models.causes_of_return.causes_products import ShareTable
from metakit.numerics.posteriors.causes import Shares, shares
from metakit.numerics.posteriors.causes_limits import (
    BetaParts,
    coarser,
    new_centre_parts,
    share_parts,
    tau_quantiles,
)


class SharePool:
    """One cause (`place`) of counts by cause and study; studies without returns say nothing.

    Two studies or more: posterior of the Dirichlet-multinomial. One study: what it counted, with exact
    limits, and the posterior beside it.
    """

    def __init__(self, counts: FloatArray, place: int, level: float) -> None:
        self._counts = tuple(map(tuple, counts.tolist()))
        self.place, self.level = place, level
        self.single = counts.shape[-1] == 1
        self.events, self.total = float(counts[place].sum()), float(counts.sum())

    @classmethod
    def of(cls, counts: FloatArray, place: int, level: float) -> Self:
        """Return the pool of one cause, shape of `counts` (causes, studies)."""
        kept = counts[:, counts.sum(axis=0) > 0]
        return cls(kept, place, level)

    @cached_property
    def found(self) -> Shares:
        """Posterior of all shares."""
        return _posterior(self._counts)

    @property
    def tails(self) -> FloatArray:
        """Probabilities of lower limit, median and upper limit."""
        return np.array([(1 - self.level) / 2, 0.5, (1 + self.level) / 2])

    @cached_property
    def parts(self) -> BetaParts:
        """Posterior of the mean share."""
        return coarser(share_parts(self.found, self.place))

    @cached_property
    def ahead(self) -> BetaParts:
        """Distribution of the share in a new centre."""
        return new_centre_parts(self.found, self.place)

    @cached_property
    def table(self) -> ShareTable:
        """Posterior of the mean share, tabulated."""
        return ShareTable(self.parts)

    @cached_property
    def table_ahead(self) -> ShareTable:
        """Distribution of the share in a new centre, tabulated."""
        return ShareTable(self.ahead)

    @property
    def mean(self) -> float:
        """Posterior mean."""
        return self.found.mean_of(self.place)

    def estimate(self, *, predicted: bool = True) -> Estimate:
        """Return the share of this cause, with where a new centre is expected if that is asked for."""
        lower, median, upper = self.parts.quantiles(self.tails).tolist()
        pooled = Limits(lower, upper)
        if self.single:
            share = self.events / self.total
            exact = clopper_pearson(np.array(self.events), np.array(self.total), self.level)
            limits = Limits(float(exact[0]), float(exact[1]))
            return Estimate(mean=share, median=share, interval=limits, wider=pooled)
        if not predicted:
            return Estimate(mean=self.mean, median=median, interval=pooled)
        low, high = self.ahead.quantiles(self.tails[[0, 2]]).tolist()
        # A new centre differs at least as much as the mean is uncertain; quadrature must not say less.
        ahead = Limits(min(low, lower), max(high, upper))
        return Estimate(mean=self.mean, median=median, interval=pooled, prediction=ahead)

    def tau(self) -> Estimate | None:
        """Return the spread between studies; None for one study."""
        if self.single:
            return None
        lower, median, upper = tau_quantiles(self.found, self.tails).tolist()
        mean = float(np.sum(self.found.tau * self.found.tau_weight))
        return Estimate(mean=mean, median=median, interval=Limits(lower, upper))


@lru_cache(maxsize=64)
def _posterior(counts: tuple[tuple[int, ...], ...]) -> Shares:
    return shares(np.array(counts))
