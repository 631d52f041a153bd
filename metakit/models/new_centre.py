"""How likely an effect beyond a stated threshold is: of the mean, across centres, and in the next one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from metakit.core.limits import Limits
from metakit.core.results import PoolResult, RandomEffectsResult
from metakit.errors import UsageError
from metakit.measures.registry import MEASURES
from metakit.numerics.distributions import t_quantile
from metakit.numerics.prediction import probability_below, share_below, share_below_limits
from metakit.numerics.weights import prepare

Side = Literal["below", "above"]
FEW = 5
"""Below this many studies a prediction interval comes with a caution (common practice of ours, no source)."""


def few_ahead(k: int) -> tuple[str, ...]:
    """Return the caution that belongs to a prediction interval from few studies."""
    studies = "1 study" if k == 1 else f"{k} studies"
    return (f"Caution: a prediction interval from {studies} is hardly more than a guess.",) if k < FEW else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BeyondThreshold:
    """Probability that the mean, and the effect in a new centre, lies beyond a threshold.

    From a posterior both are its own, so that they agree with the interval and the prediction. Otherwise
    `mean` is None and `probability` allows for the uncertainty of the mean (t form, the distribution behind
    the prediction interval that stands beside, on `df` degrees of freedom) and not for that of tau2; `share`
    of true effects takes mean and tau2 as known (normal form, Mathur & VanderWeele 2019), `share_interval`
    carries the uncertainty of both.
    """

    threshold: float
    side: Side
    probability: float
    mean: float | None = None
    share: float | None = None
    share_interval: Limits | None = None
    df: float = math.inf

    def to_json(self) -> dict[str, Any]:
        """Return the probabilities as JSON; the threshold on the analysis scale."""
        return {
            "threshold": self.threshold,
            "side": self.side,
            "mean": self.mean,
            "new_centre": self.probability,
            "share_of_centres": self.share,
            "share_interval": list(self.share_interval) if self.share_interval else None,
        }


def beyond_threshold(result: PoolResult, threshold: float, *, side: Side) -> BeyondThreshold:
    """Return how likely an effect below or above `threshold` is.

    Parameters
    ----------
    result : PoolResult
        With a posterior, or random effects of at least three studies.
    threshold : float
        On the analysis scale (the log of a ratio).
    side : {"below", "above"}

    Returns
    -------
    BeyondThreshold

    Raises
    ------
    UsageError
        For another model, random effects with fewer than three studies, or an unknown side.

    Examples
    --------
    >>> from metakit.models.pool import pool
    >>> found = pool(effect=[0.1, 0.5, 0.9, 1.1], variance=[0.04, 0.05, 0.06, 0.04], tau2="reml")
    >>> beyond = beyond_threshold(found, 0.0, side="below")
    >>> round(beyond.share, 3), round(beyond.probability, 3)
    (0.053, 0.127)
    """
    if side not in ("below", "above"):
        raise UsageError(f"side must be 'below' or 'above', not {side!r}")
    if not math.isfinite(threshold):
        raise UsageError("the threshold must be a finite number on the analysis scale")
    if result.posterior is not None:
        mean, new = (float(result.posterior.below(threshold, new_centre=centre)) for centre in (False, True))
        if side == "above":
            mean, new = 1 - mean, 1 - new
        return BeyondThreshold(threshold=threshold, side=side, probability=new, mean=mean)
    if not isinstance(result, RandomEffectsResult):
        raise UsageError(
            f"the probability of an effect beyond a threshold needs the default inference or random effects, "
            f"not {result.model}"
        )
    if result.k < 3:
        raise UsageError(
            "the probability in a new centre needs at least three studies, as a prediction interval does"
        )
    tau2 = result.heterogeneity.tau2 or 0.0
    error, df = _ahead(result, tau2)
    share = float(share_below(threshold, result.estimate, tau2))
    probability = float(probability_below(threshold, result.estimate, error, tau2, df))
    effects = [(row.effect, row.variance) for row in result.studies]
    known = np.array([(effect, variance) for effect, variance in effects if effect is not None], dtype=float)
    limits = Limits(*share_below_limits(prepare(known[:, 0], known[:, 1]), threshold, result.level))
    if side == "above":
        share, probability = 1 - share, 1 - probability
        limits = Limits(1 - limits.upper, 1 - limits.lower)
    return BeyondThreshold(
        threshold=threshold,
        side=side,
        share=share,
        share_interval=limits,
        probability=probability,
        df=df,
    )


def _ahead(result: RandomEffectsResult, tau2: float) -> tuple[float, float]:
    """Return the standard error and degrees of freedom behind the prediction interval that stands beside.

    A bootstrap has none: the t form on k - 2 degrees of freedom takes its place.
    """
    shown = result.prediction
    if shown is None or shown.method == "bootstrap":
        plain = (*result.other_intervals, result.mean)
        error = next(other.standard_error for other in plain if other.method in ("wald", "t"))
        return error, float(result.k - 2)
    reach = (shown.interval.upper - shown.interval.lower) / 2
    scale = reach / float(t_quantile(result.level, np.asarray(shown.df)))
    return math.sqrt(max(scale**2 - tau2, 0.0)), shown.df


def beyond_natural(result: PoolResult, threshold: float, *, side: Side = "below") -> BeyondThreshold:
    """Return how likely an effect beyond a threshold in natural units is.

    Raises
    ------
    UsageError
        For a threshold that the measure cannot have (0 or less for a ratio).
    """
    measure = MEASURES[result.measure]
    value = threshold / measure.natural_factor
    if measure.ratio and value <= 0:
        raise UsageError(f"a {measure.label} is above 0; the threshold {threshold:g} is not")
    found = math.log(value) if measure.ratio else value
    if not math.isclose(float(result.back_transform(found)), value, rel_tol=1e-9, abs_tol=1e-12):
        raise UsageError(f"a threshold goes with ratios and differences, not with a {measure.label}")
    return beyond_threshold(result, found, side=side)
