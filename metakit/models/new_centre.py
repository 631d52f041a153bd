"""How likely an effect beyond a stated threshold is: across centres, and in the next one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from metakit.core.results import Limits, RandomEffectsResult
from metakit.errors import UsageError
from metakit.numerics.prediction import probability_below, share_below, share_below_limits
from metakit.numerics.weights import prepare

Side = Literal["below", "above"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BeyondThreshold:
    """Share of true effects beyond a threshold, and the probability that a new centre's effect is.

    `share` takes mean and tau2 as known (normal form, Mathur & VanderWeele 2019); `share_interval` carries
    the uncertainty of both. `probability` allows for the uncertainty of the mean (t form, the distribution
    behind the prediction interval on `df` degrees of freedom) and not for that of tau2.
    """

    threshold: float
    side: Side
    share: float
    share_interval: Limits
    probability: float
    df: float


def beyond_threshold(result: RandomEffectsResult, threshold: float, *, side: Side) -> BeyondThreshold:
    """Return how likely an effect below or above `threshold` is.

    Parameters
    ----------
    result : RandomEffectsResult
        Of at least three studies.
    threshold : float
        On the analysis scale (the log of a ratio).
    side : {"below", "above"}

    Returns
    -------
    BeyondThreshold

    Raises
    ------
    UsageError
        With fewer than three studies, or an unknown side.

    Examples
    --------
    >>> from metakit.models.pool import pool
    >>> found = pool(effect=[0.1, 0.5, 0.9, 1.1], variance=[0.04, 0.05, 0.06, 0.04], tau2="reml")
    >>> beyond = beyond_threshold(found, 0.0, side="below")
    >>> round(beyond.share, 3), round(beyond.probability, 3)
    (0.053, 0.147)
    """
    if side not in ("below", "above"):
        raise UsageError(f"side must be 'below' or 'above', not {side!r}")
    if not math.isfinite(threshold):
        raise UsageError("the threshold must be a finite number on the analysis scale")
    if result.k < 3:
        raise UsageError(
            "the probability in a new centre needs at least three studies, as a prediction interval does"
        )
    tau2 = result.heterogeneity.tau2 or 0.0
    error = next(
        other.standard_error
        for other in (*result.other_intervals, result.mean)
        if other.method in ("wald", "t")
    )
    df = float(result.k - 2)
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
