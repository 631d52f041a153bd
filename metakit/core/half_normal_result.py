"""What the default inference answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from metakit.core.results import PoolResult, Prediction


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfNormalResult(PoolResult):
    """Random effects with the between-study spread tau integrated over a half-normal prior.

    `estimate` is the posterior median of the mean effect, `mean.interval` its equal-tailed interval,
    `mean.standard_error` its posterior standard deviation. `heterogeneity.tau2` and its interval are squares
    of the posterior median and limits of tau.

    Parameters
    ----------
    prior_scale : float
        Scale of the half-normal prior of tau.
    prior : str
        The priors in words.
    posterior_mean : float
    prediction : Prediction
        Equal-tailed interval of the effect in a new centre, from the same posterior.
    above, new_above : float or None
        Posterior probabilities that the mean, and the effect in a new centre, lie above no difference; None
        for a measure without it.
    limit_only : {"", "lower", "upper"}
        Where all events are in one arm there is no point estimate: which limit is the answer.
    """

    model: ClassVar[str] = "half_normal"

    prior_scale: float
    prior: str
    posterior_mean: float
    prediction: Prediction
    above: float | None
    new_above: float | None

    def details(self) -> Mapping[str, Any]:
        """Return what this model adds to the shared JSON answer."""
        return {
            "prior": self.prior,
            "prior_scale": self.prior_scale,
            "posterior_mean": self.posterior_mean,
            "probability_above_no_difference": self.above,
            "new_centre_above_no_difference": self.new_above,
            "limit_only": self.limit_only or None,
            "tau2_interval_method": self.heterogeneity.tau2_interval_method or None,
            "i2_from_q": self.heterogeneity.i2_from_q,
        }
