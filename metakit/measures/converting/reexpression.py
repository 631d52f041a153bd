"""Standardised mean differences in words that a clinician can weigh: points of a scale, or an odds ratio.

References
----------
Cochrane Handbook, section 15.5.3; Chinn S (2000). Stat Med 19:3127-3131.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from metakit.measures.converting.derived import Derived, required, shown

LOG_ODDS_PER_SD = math.pi / math.sqrt(3)
"""Standard deviation of the logistic distribution: 1 standard deviation of a score is 1.81 log odds."""


class EstimateWithLimits(NamedTuple):
    """An estimate and the limits of its interval."""

    estimate: float
    lower: float
    upper: float


def in_points(
    smd: EstimateWithLimits, sd: float, *, scale: str, sd_source: str
) -> Derived[EstimateWithLimits]:
    """Return a standardised mean difference in points of a familiar scale.

    Parameters
    ----------
    smd : EstimateWithLimits
        Pooled standardised mean difference and its limits (of the mean, or of a prediction).
    sd : float
        A typical standard deviation on that scale, above 0.
    scale : str
        Name of the scale, for the log line.
    sd_source : str
        Where the standard deviation comes from; it decides the answer and must be stated.

    Returns
    -------
    Derived of EstimateWithLimits

    References
    ----------
    Cochrane Handbook, section 15.5.3.2.
    """
    spread = required("a standard deviation", sd, above=0)
    value = EstimateWithLimits(*(spread * required("a standardised mean difference", part) for part in smd))
    return Derived(
        value=value,
        rule=f"standardised mean difference times a typical standard deviation of {scale} ({sd_source})",
        inputs=f"{shown(smd.estimate)} x {shown(spread)} -> {shown(value.estimate)} points",
        reference="handbook",
    )


def as_odds_ratio(smd: EstimateWithLimits) -> Derived[EstimateWithLimits]:
    """Return a standardised mean difference as the odds ratio of passing any one cut of the score.

    The log odds ratio is pi/sqrt 3 times the difference; it assumes scores of logistic shape and equal
    spread.

    Parameters
    ----------
    smd : EstimateWithLimits
        Pooled standardised mean difference and its limits.

    Returns
    -------
    Derived of EstimateWithLimits
        Odds ratio and limits in natural units.

    References
    ----------
    Chinn (2000); Cochrane Handbook, section 15.5.3.3.

    Examples
    --------
    >>> round(as_odds_ratio(EstimateWithLimits(0.5, 0.2, 0.8)).value.estimate, 2)
    2.48
    """
    value = EstimateWithLimits(
        *(math.exp(LOG_ODDS_PER_SD * required("a standardised mean difference", part)) for part in smd)
    )
    return Derived(
        value=value,
        rule="standardised mean difference as an odds ratio, log odds = pi/sqrt 3 times the difference",
        inputs=f"{shown(smd.estimate)} -> odds ratio {shown(value.estimate)}",
        reference="chinn_2000",
    )
