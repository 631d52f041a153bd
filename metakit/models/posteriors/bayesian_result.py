"""What a Bayesian random-effects analysis answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

from metakit.core.limits import Limits
from metakit.core.results import MeanInterval, PoolResult, Prediction


class TailProbability(NamedTuple):
    """Posterior probabilities that the mean, and the effect in a new centre, lie above a threshold.

    `threshold` is in natural units.
    """

    threshold: float
    mean_above: float
    new_centre_above: float


class Shrunken(NamedTuple):
    """A study's own effect after it has been drawn towards the others."""

    study: str
    median: float
    interval: Limits


class PriorVariation(NamedTuple):
    """The answer under another prior of tau."""

    prior: str
    factor: float
    estimate: float
    interval: Limits
    prediction_interval: Limits
    tau: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BayesianResult(PoolResult):
    """Posterior of the normal-normal random-effects model.

    `estimate` is the posterior median of the mean effect, so that it keeps its meaning in natural units;
    `standard_error` is the posterior standard deviation, infinite where the posterior has none.
    `heterogeneity.tau2` is the square of the posterior median of tau.

    Parameters
    ----------
    posterior_mean : float or None
        None where it does not exist (one study with a heavy-tailed prior).
    prior : str
        The priors in words.
    prediction : Prediction
        Effect in a new centre.
    other_intervals : tuple of MeanInterval
        The shortest interval of the mean (the equal-tailed one when the shortest is the headline).
    tau_shortest : Limits
        Shortest interval of tau.
    tail_probabilities : tuple of TailProbability
    shrinkage : tuple of Shrunken
    prior_variations : tuple of PriorVariation
        The same analysis with the prior of tau halved and doubled.
    """

    model: ClassVar[str] = "bayesian"

    posterior_mean: float | None
    prior: str
    prediction: Prediction
    other_intervals: tuple[MeanInterval, ...]
    tau_shortest: Limits
    tail_probabilities: tuple[TailProbability, ...]
    shrinkage: tuple[Shrunken, ...]
    prior_variations: tuple[PriorVariation, ...]

    def details(self) -> Mapping[str, Any]:
        """Return what this model adds to the shared JSON answer."""
        return {
            "posterior_mean": self.posterior_mean,
            "prior": self.prior,
            "other_intervals": [
                {"method": other.method, "interval": list(other.interval)} for other in self.other_intervals
            ],
            "tau_shortest_interval": list(self.tau_shortest),
            "tail_probabilities": [item._asdict() for item in self.tail_probabilities],
            "shrinkage": [
                {"study": item.study, "median": item.median, "interval": list(item.interval)}
                for item in self.shrinkage
            ],
            "prior_variations": [
                {
                    "prior": item.prior,
                    "factor": item.factor,
                    "estimate": item.estimate,
                    "interval": list(item.interval),
                    "prediction_interval": list(item.prediction_interval),
                    "tau": item.tau,
                }
                for item in self.prior_variations
            ],
        }
