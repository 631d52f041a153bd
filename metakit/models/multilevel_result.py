"""What the model of dependent effects answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from metakit.core.limits import Limits
from metakit.core.results import MeanInterval, PoolResult, Prediction


@dataclass(frozen=True, slots=True, kw_only=True)
class MultilevelResult(PoolResult):
    """Mean of effects nested in clusters.

    `heterogeneity.tau2` is the sum of both variances: how much two effects of different clusters differ.

    Parameters
    ----------
    clusters : int
    cluster : str
        The column that names them, "" where labels were given.
    sampling_correlation : float
        Assumed sampling correlation within a cluster; 0 is the plain three-level model.
    shared_comparator : bool
        Whether the covariance within clusters is that of arms against one comparator.
    tau2_between, tau2_within : float
    tau2_between_interval, tau2_within_interval : Limits or None
        By profile of the restricted likelihood; None where the variance cannot be told apart.
    i2_between, i2_within : float
        Shares of the variance of a typical effect.
    log_likelihood : float
        Restricted.
    prediction : Prediction or None
        Effect of a new cluster.
    other_intervals : tuple of MeanInterval
    """

    model: ClassVar[str] = "multilevel"
    tau2_estimator: str = "reml"

    clusters: int
    cluster: str
    sampling_correlation: float
    shared_comparator: bool
    tau2_between: float
    tau2_within: float
    tau2_between_interval: Limits | None
    tau2_within_interval: Limits | None
    i2_between: float
    i2_within: float
    log_likelihood: float
    prediction: Prediction | None
    other_intervals: tuple[MeanInterval, ...]

    def details(self) -> Mapping[str, Any]:
        """Return what this model adds to the shared JSON answer."""
        between, within = self.tau2_between_interval, self.tau2_within_interval
        return {
            "clusters": self.clusters,
            "cluster": self.cluster or None,
            "sampling_correlation": self.sampling_correlation,
            "shared_comparator": self.shared_comparator,
            "df": self.mean.df,
            "tau2_between": self.tau2_between,
            "tau2_between_interval": list(between) if between else None,
            "tau2_within": self.tau2_within,
            "tau2_within_interval": list(within) if within else None,
            "i2_between": self.i2_between,
            "i2_within": self.i2_within,
            "log_likelihood": self.log_likelihood,
            "other_intervals": [
                {
                    "method": other.method,
                    "standard_error": other.standard_error,
                    "interval": list(other.interval),
                    "p_value": other.p_value,
                }
                for other in self.other_intervals
            ],
        }
