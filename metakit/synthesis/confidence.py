"""The distribution behind an interval: how much confidence, or posterior probability, lies below a value."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from metakit.core.beside import Posterior
from metakit.core.effects import FloatArray
from metakit.core.results import PoolResult
from metakit.numerics.distributions import t_quantile

Basis = Literal["confidence distribution", "posterior"]
SAME_P = 0.01
"""A confidence distribution whose two-sided p value differs from the answer's own by more is not shown."""


class EffectDistribution(Protocol):
    """A pooled mean as a distribution on the analysis scale; `centre` is its half point."""

    @property
    def centre(self) -> float:
        """The half point."""
        ...

    @property
    def basis(self) -> Basis:
        """Whether its shares are posterior probabilities."""
        ...

    def below(self, value: ArrayLike) -> FloatArray:
        """Return the share below a value."""
        ...

    def quantile(self, share: ArrayLike) -> FloatArray:
        """Return the value with this share below it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PosteriorDistribution:
    """The posterior behind an interval, its own distribution to the last digit.

    With `only` the answer is one limit: quantiles on the other side have none.
    """

    centre: float
    posterior: Posterior
    only: str = ""
    basis: Basis = "posterior"

    def below(self, value: ArrayLike) -> FloatArray:
        """Return the probability below a value; infinities are certain."""
        at = np.asarray(value, dtype=float)
        inside = np.where(np.isfinite(at), at, 0.0)
        return np.asarray(np.where(np.isfinite(at), self.posterior.below(inside), at > 0), dtype=float)

    def quantile(self, share: ArrayLike) -> FloatArray:
        """Return the value with this probability below it."""
        found = self.posterior.quantile(share)
        part = np.asarray(share, dtype=float)
        if self.only == "upper":
            found = np.where(part < 0.5, -np.inf, found)
        elif self.only == "lower":
            found = np.where(part > 0.5, np.inf, found)
        return np.asarray(found, dtype=float)


def only_limit(result: PoolResult) -> str:
    """Return which limit is the answer, `upper` or `lower`, where all events are in one arm; else ""."""
    return result.limit_only


def point_of(result: PoolResult) -> float:
    """Return what stands for the estimate: itself, or the only limit where there is no estimate."""
    only = only_limit(result)
    if not only:
        return result.estimate
    return result.interval.upper if only == "upper" else result.interval.lower


def distribution_of(result: PoolResult) -> EffectDistribution:
    """Return the distribution of a result's mean: its posterior, or one through its interval."""
    if result.posterior is not None:
        return PosteriorDistribution(
            centre=point_of(result), posterior=result.posterior, only=only_limit(result)
        )
    return ConfidenceDistribution.of(result)


def contradicts(result: PoolResult, null: float) -> bool:
    """Say whether a distribution through an interval does not give the test that the answer itself has.

    An interval that is not symmetric on the analysis scale (profile likelihood, exact) has a test of its own;
    shares of two halves that contradict it are not told. Neither are those of a posterior without its own
    distribution.
    """
    if result.posterior is not None:
        return False
    if result.model == "bayesian" or not np.isfinite(result.estimate):
        return True
    p = result.mean.p_value
    if p is None:
        return False
    share = float(ConfidenceDistribution.of(result).below(null))
    return abs(2 * min(share, 1 - share) - p) > SAME_P


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfidenceDistribution:
    """A pooled mean as a distribution on the analysis scale.

    Symmetric intervals (Wald, t, Hartung-Knapp) give their own t or normal distribution exactly. Others
    (profile likelihood, exact) give two halves, one a side, each scaled to meet its limit. An unbounded side
    has an infinite scale: all its confidence lies beyond every value.

    Parameters
    ----------
    centre : float
    scale_below, scale_above : float
        Scale of either half.
    df : float
        Degrees of freedom of the t distribution; infinite for the normal.
    basis : {"confidence distribution", "posterior"}

    References
    ----------
    Xie M, Singh K (2013). Int Stat Rev 81:3-39.
    """

    centre: float
    scale_below: float
    scale_above: float
    df: float
    basis: Basis

    @classmethod
    def of(cls, result: PoolResult) -> ConfidenceDistribution:
        """Return the distribution of a result's mean, from the limits of its headline interval."""
        return cls.from_interval(
            result.estimate,
            *result.interval,
            level=result.level,
            df=result.mean.df,
            basis="posterior" if result.model == "bayesian" else "confidence distribution",
        )

    @classmethod
    def from_interval(
        cls,
        centre: float,
        lower: float,
        upper: float,
        *,
        level: float,
        df: float = math.inf,
        basis: Basis = "confidence distribution",
    ) -> ConfidenceDistribution:
        """Return the distribution whose interval at `level` is given."""
        reach = float(t_quantile(level, np.asarray(df)))
        return cls(
            centre=centre,
            scale_below=(centre - lower) / reach,
            scale_above=(upper - centre) / reach,
            df=df,
            basis=basis,
        )

    def below(self, value: ArrayLike) -> FloatArray:
        """Return the share below a value, between 0 and 1."""
        gap = np.asarray(value, dtype=float) - self.centre
        scale = np.where(gap < 0, self.scale_below, self.scale_above)
        with np.errstate(invalid="ignore", divide="ignore"):
            units = np.where(scale > 0, gap / np.where(scale > 0, scale, 1.0), np.sign(gap) * np.inf)
        # Infinite value over infinite scale: everything lies below +inf, nothing below -inf.
        units = np.where(np.isinf(gap), gap, np.where(gap == 0, 0.0, units))
        share = special.ndtr(units) if math.isinf(self.df) else special.stdtr(self.df, units)
        return np.asarray(share, dtype=float)

    def quantile(self, share: ArrayLike) -> FloatArray:
        """Return the value with this share below it."""
        part = np.asarray(share, dtype=float)
        units = special.ndtri(part) if math.isinf(self.df) else special.stdtrit(self.df, part)
        scale = np.where(units < 0, self.scale_below, self.scale_above)
        with np.errstate(invalid="ignore"):
            return np.asarray(self.centre + np.where(units == 0, 0.0, units * scale), dtype=float)
