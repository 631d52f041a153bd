"""What one-stage models answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

from metakit.core.limits import Limits, TestStatistic
from metakit.core.results import MeanInterval, PoolResult, Prediction


class Average(NamedTuple):
    """Population-average value in natural units, beside the median that the model estimates.

    The pooled value is that of the study in the middle; the average over the distribution of studies
    lies nearer to one half for a proportion, and higher for a rate.
    """

    estimate: float
    interval: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class OneStageResult(PoolResult):
    """Mean of a one-stage model with normal random effects, by maximum likelihood.

    Parameters
    ----------
    variant : str
        Name of the variant of the model.
    log_likelihood : float
    heterogeneity_test : TestStatistic or None
        Likelihood ratio of tau2 = 0; p by the half-and-half mixture of chi-squared with 0 and 1 degree of
        freedom (Self & Liang 1987). None where tau2 cannot be estimated.
    boundary : bool
        Whether the estimate of tau2 is 0.
    nodes : int
        Quadrature nodes in each dimension that were enough.
    prediction : Prediction or None
    average : Average or None
        For one-arm proportions and rates.
    other_intervals : tuple of MeanInterval
        Methods shown beside the headline.
    """

    model: ClassVar[str] = "one_stage"
    tau2_estimator: str = "maximum_likelihood"

    variant: str
    log_likelihood: float
    heterogeneity_test: TestStatistic | None
    boundary: bool
    nodes: int
    prediction: Prediction | None
    average: Average | None
    other_intervals: tuple[MeanInterval, ...]

    def details(self) -> Mapping[str, Any]:
        """Return what this model adds to the shared JSON answer."""
        average = self.average
        return {
            "variant": self.variant,
            "log_likelihood": self.log_likelihood,
            "heterogeneity_test": self.heterogeneity_test._asdict() if self.heterogeneity_test else None,
            "boundary": self.boundary,
            "quadrature_nodes": self.nodes,
            "population_average": {"estimate": average.estimate, "interval": list(average.interval)}
            if average
            else None,
            "other_intervals": _intervals(self.other_intervals),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class BetaBinomialResult(PoolResult):
    """Contrast of two arms from the beta-binomial model.

    `correlation` is the intracluster correlation of the thumbs of one arm of one study, the model's measure
    of how much studies differ; it has no tau2 and no prediction interval.
    """

    model: ClassVar[str] = "one_stage"
    variant: ClassVar[str] = "beta_binomial"

    log_likelihood: float
    correlation: float
    correlation_test: TestStatistic | None
    boundary: bool
    other_intervals: tuple[MeanInterval, ...]

    def details(self) -> Mapping[str, Any]:
        """Return what this model adds to the shared JSON answer."""
        return {
            "variant": self.variant,
            "log_likelihood": self.log_likelihood,
            "intracluster_correlation": self.correlation,
            "intracluster_correlation_test": self.correlation_test._asdict()
            if self.correlation_test
            else None,
            "boundary": self.boundary,
            "other_intervals": _intervals(self.other_intervals),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactResult(PoolResult):
    """Proportion or rate of all studies taken together, with its exact interval.

    For one study, and for series without any event (or with nothing but events), where a model of the
    differences between studies has nothing to work on. The estimate is minus infinity on the log or logit
    scale when there is no event, that is 0 in natural units. The upper limit then also holds for the
    size-weighted average of proportions that differ between studies.
    """

    model: ClassVar[str] = "one_stage"
    variant: ClassVar[str] = "exact"

    events: float
    total: float

    def details(self) -> Mapping[str, Any]:
        """Return what this answer adds to the shared JSON answer."""
        return {"variant": self.variant, "events": self.events, "total": self.total}


def _intervals(intervals: tuple[MeanInterval, ...]) -> list[dict[str, Any]]:
    return [
        {
            "method": other.method,
            "standard_error": other.standard_error,
            "interval": list(other.interval),
            "statistic": other.statistic,
            "p_value": other.p_value,
        }
        for other in intervals
    ]
