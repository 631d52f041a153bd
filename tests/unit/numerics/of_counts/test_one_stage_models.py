"""What each one-stage model is made of, by hand: densities with scipy.stats, offsets, crude starts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from metakit.numerics.of_counts import one_stage_models as models
from metakit.numerics.of_counts.one_stage_likelihood import marginal

# Invented: a study without events, one with a single event, one with two.
EVENTS_1, SIZE_1 = np.array([[0.0, 1.0, 1.0, 5.0]]), np.array([[20.0, 30.0, 25.0, 40.0]])
EVENTS_2, SIZE_2 = np.array([[0.0, 0.0, 1.0, 3.0]]), np.array([[10.0, 60.0, 50.0, 20.0]])
ARMS = (EVENTS_1, SIZE_1, EVENTS_2, SIZE_2)


def logit(events: np.ndarray, total: np.ndarray) -> float:
    return float(np.log((events.sum() + 0.5) / (total.sum() - events.sum() + 0.5)))


def rate(events: np.ndarray, time: np.ndarray) -> float:
    return float(np.log((events.sum() + 0.5) / time.sum()))


@pytest.mark.parametrize("beta", [-1.2, 0.0, 0.7])
def test_a_study_with_a_single_event_keeps_its_ratio_of_times(beta: float) -> None:
    """Events of arm 1 given those of both are binomial with odds exp(beta) time_1 / time_2."""
    prepared = models.conditional_binomial_normal(*ARMS)
    value = marginal(prepared.model, np.array([[beta, 0.0]]), prepared.intercepts, nodes=1).value[0]
    odds = np.exp(beta) * SIZE_1 / SIZE_2
    expected = stats.binom.logpmf(EVENTS_1, EVENTS_1 + EVENTS_2, odds / (1 + odds)).sum()
    assert value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("beta", [-1.2, 0.0, 0.7])
def test_given_both_margins_the_odds_ratio_alone_decides(beta: float) -> None:
    prepared = models.hypergeometric_normal(*ARMS)
    value = marginal(prepared.model, np.array([[beta, 0.0]]), prepared.intercepts, nodes=1).value[0]
    columns = zip(EVENTS_1[0], SIZE_1[0], EVENTS_2[0], SIZE_2[0], strict=True)
    expected = sum(
        stats.nchypergeom_fisher.logpmf(x, n + m, x + y, n, np.exp(beta)) for x, n, y, m in columns
    )
    assert value == pytest.approx(expected, rel=1e-10)


def test_one_arm_without_spread_is_the_plain_density() -> None:
    at = np.array([[-2.5, 0.0]])
    none = np.zeros((1, 0))
    binomial = marginal(models.binomial_normal(EVENTS_1, SIZE_1).model, at, none, nodes=1).value[0]
    assert binomial == pytest.approx(
        stats.binom.logpmf(EVENTS_1, SIZE_1, special.expit(-2.5)).sum(), rel=1e-12
    )
    poisson = marginal(models.poisson_normal(EVENTS_1, SIZE_1).model, at, none, nodes=1).value[0]
    assert poisson == pytest.approx(stats.poisson.logpmf(EVENTS_1, SIZE_1 * np.exp(-2.5)).sum(), rel=1e-12)


def test_fits_start_from_the_crude_levels_and_their_difference() -> None:
    odds, rates = (
        (find(EVENTS_1, SIZE_1), find(EVENTS_2, SIZE_2)) for find in (logit, rate)
    )  # of arm 1, of arm 2
    for maker, (one, other) in (
        (models.two_arm_binomial_normal, odds),
        (models.two_arm_poisson_normal, rates),
    ):
        mixed = maker(*ARMS, random_intercepts=True)
        assert mixed.beta[0] == pytest.approx([one - other, (one + other) / 2], rel=1e-14)
        assert mixed.intercepts.shape == (1, 0) and not mixed.model.study_intercepts
        fixed = maker(*ARMS, random_intercepts=False)
        assert fixed.beta[0] == pytest.approx([one - other], rel=1e-14)
        assert fixed.model.study_intercepts
    both, size = (EVENTS_1 + EVENTS_2)[0], (SIZE_1 + SIZE_2)[0]
    assert fixed.intercepts[0] == pytest.approx(np.log((both + 0.5) / size), rel=1e-14)
    of_odds = models.two_arm_binomial_normal(*ARMS, random_intercepts=False).intercepts[0]
    assert of_odds == pytest.approx(special.logit((both + 0.5) / (size + 1)), rel=1e-14)
    assert models.conditional_binomial_normal(*ARMS).beta[0, 0] == pytest.approx(rates[0] - rates[1])
    assert models.hypergeometric_normal(*ARMS).beta[0, 0] == pytest.approx(odds[0] - odds[1])
    assert models.binomial_normal(EVENTS_1, SIZE_1).beta[0, 0] == pytest.approx(odds[0])
    assert models.poisson_normal(EVENTS_1, SIZE_1).beta[0, 0] == pytest.approx(rates[0])


def test_an_absent_study_has_an_intercept_that_is_a_number() -> None:
    absent = [np.concatenate([column, [[0.0]]], axis=1) for column in ARMS]
    found = models.two_arm_poisson_normal(*absent, random_intercepts=False).intercepts[0]
    assert found[-1] == pytest.approx(np.log(0.5), rel=1e-14)  # as if watched for one unit of time
    assert found[:-1] == pytest.approx(
        models.two_arm_poisson_normal(*ARMS, random_intercepts=False).intercepts[0]
    )
