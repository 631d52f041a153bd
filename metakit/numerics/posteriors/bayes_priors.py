"""Prior distributions of the between-study standard deviation tau.

Densities on tau >= 0; what does not depend on tau may be left out of an improper one only.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class TauPrior:
    """A prior of tau.

    Parameters
    ----------
    name : str
    log_density : callable
        Takes tau > 0, any shape.
    size : float
        A typical tau under the prior, a hint for integration.
    upper : float
        End of the support.
    tail_power : float
        The density falls like tau to minus this power; infinite when faster than any power, 0 for an
        improper uniform one. It decides which posterior moments exist.
    """

    name: str
    log_density: Callable[[FloatArray], FloatArray]
    size: float
    upper: float = math.inf
    tail_power: float = math.inf

    @property
    def proper(self) -> bool:
        """Whether the prior has mass 1."""
        return self.tail_power > 1


def half_normal(scale: float) -> TauPrior:
    """Fold a normal distribution with this standard deviation at 0."""
    constant = 0.5 * math.log(2.0 / math.pi) - math.log(scale)
    return TauPrior(
        name="half_normal", size=scale, log_density=lambda tau: constant - 0.5 * (tau / scale) ** 2
    )


def half_cauchy(scale: float) -> TauPrior:
    """Fold a Cauchy distribution with this scale at 0: half of the mass lies above the scale."""
    constant = math.log(2.0 / (math.pi * scale))
    return TauPrior(
        name="half_cauchy",
        size=scale,
        log_density=lambda tau: constant - np.log1p((tau / scale) ** 2),
        tail_power=2.0,
    )


def uniform(upper: float) -> TauPrior:
    """Treat all tau up to `upper` alike; an infinite `upper` is improper."""
    if math.isinf(upper):
        return TauPrior(name="uniform", size=0.0, log_density=lambda tau: np.zeros_like(tau), tail_power=0.0)
    constant = -math.log(upper)
    return TauPrior(
        name="uniform", size=upper, upper=upper, log_density=lambda tau: np.full_like(tau, constant)
    )


def log_normal(location: float, scale: float) -> TauPrior:
    """Let ln tau^2 (of tau SQUARED) be normal with this mean and standard deviation (Turner 2015)."""
    constant = math.log(2.0) - math.log(scale) - 0.5 * math.log(2.0 * math.pi)

    def log_density(tau: FloatArray) -> FloatArray:
        log_tau = np.log(tau)
        return np.asarray(constant - log_tau - 0.5 * ((2.0 * log_tau - location) / scale) ** 2)

    return TauPrior(name="log_normal", size=math.exp(location / 2.0), log_density=log_density)
