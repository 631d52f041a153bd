"""Probabilities beside an answer are those of its own interval and test, or they are not told."""

from __future__ import annotations

import numpy as np
import pytest

from metakit import effect_sizes, pool
from metakit.synthesis.confidence import PosteriorDistribution, contradicts, distribution_of

ROWS = {
    "study": ["A", "B", "C", "D", "E"], "events_1": [1, 3, 0, 4, 2], "total_1": [40, 55, 30, 60, 45],
    "events_2": [4, 6, 2, 5, 7], "total_2": [41, 50, 31, 62, 44],
}  # fmt: skip


def test_a_posterior_is_taken_as_it_is() -> None:
    found = pool(effect_sizes(ROWS, measure="risk_ratio"), model="half_normal")
    spread = distribution_of(found)
    assert isinstance(spread, PosteriorDistribution) and spread.basis == "posterior"
    np.testing.assert_allclose(
        spread.below([*found.interval, found.estimate]), [0.025, 0.975, 0.5], atol=1e-9
    )
    np.testing.assert_allclose(spread.quantile([0.025, 0.975]), found.interval, rtol=1e-9)
    np.testing.assert_allclose(spread.below([-np.inf, np.inf]), [0.0, 1.0])
    assert not contradicts(found, 0.0)


def test_shares_of_two_halves_that_contradict_the_answers_own_test_are_not_told() -> None:
    # A probability of 0.94 stood beside p = 0.22, which is one of 0.89: a profile likelihood's interval is not
    # symmetric, and two halves through its limits have another test than the likelihood itself.
    for interval in ("profile_likelihood", "wald"):
        found = pool(effect_sizes(ROWS, measure="odds_ratio"), model="one_stage", interval=interval)
        share = float(distribution_of(found).below(0.0))
        p = found.mean.p_value
        assert p is not None
        assert contradicts(found, 0.0) == (abs(2 * min(share, 1 - share) - p) > 0.01)


@pytest.mark.parametrize("model", ["common_effect", "random_effects", "mantel_haenszel"])
def test_symmetric_intervals_agree_with_their_test(model: str) -> None:
    found = pool(effect_sizes(ROWS, measure="risk_ratio"), model=model)
    assert not contradicts(found, 0.0)
    share = float(distribution_of(found).below(0.0))
    assert 2 * min(share, 1 - share) == pytest.approx(found.mean.p_value, abs=1e-9)


def test_a_posterior_without_its_own_distribution_tells_no_probability() -> None:
    found = pool(effect_sizes(ROWS, measure="risk_ratio"), model="bayesian")
    assert contradicts(found, 0.0) == (found.posterior is None)
