"""The far tails of a baseline pooled from few studies stay numbers."""

from __future__ import annotations

import numpy as np
from scipy import special

from metakit.decision.absolute import absolute_difference
from metakit.synthesis.baseline import Baseline
from metakit.synthesis.confidence import ConfidenceDistribution


def test_a_rate_of_two_studies_has_finite_tails_and_a_difference_with_an_interval() -> None:
    """t with one degree of freedom: at a share of 1e-15 its quantile is beyond the largest logarithm."""
    pooled = ConfidenceDistribution.from_interval(
        np.log(0.01), np.log(0.001), np.log(0.1), level=0.95, df=1.0
    )
    baseline = Baseline(
        kind="comparator_arms", label="in the same studies", per_year=True, value=0.01, lower=0.001, upper=0.1,
        level=0.95, events=6, total=600, studies=2, pooled=pooled,
    )  # fmt: skip
    shares = special.ndtr(np.array([-8.0, -5.0, 0.0, 5.0, 8.0]))
    found = baseline.quantile(shares)
    assert np.all(np.isfinite(found))
    assert np.all(np.diff(found) >= 0)
    effect = ConfidenceDistribution.from_interval(np.log(1.5), np.log(0.7), np.log(3.2), level=0.95)
    difference = absolute_difference("rate_ratio", effect, baseline, log_scale=True)
    assert np.all(np.isfinite(difference.both))
    assert difference.both.lower < difference.difference < difference.both.upper
