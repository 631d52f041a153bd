"""Limits of shares of causes: against exact Beta quantiles, draws and plain integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from metakit.numerics.posteriors.causes import Parts, shares
from metakit.numerics.posteriors.causes_limits import _matched, new_centre_parts, share_parts, tau_quantiles

TAILS = np.array([0.025, 0.5, 0.975])
COUNTS = np.array([[6, 3, 1], [2, 4, 1], [0, 1, 2], [0, 0, 0]])


def weighted_draws() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.random.Generator]:
    """Return theta, s and weights of draws from the prior."""
    random = np.random.default_rng(11)
    theta = random.dirichlet([0.25] * 4, 1_000_000)
    s = 4 / np.abs(random.normal(size=len(theta))) ** 2
    log = np.zeros(len(s))
    for study in COUNTS.T:
        log -= sum(np.log(s + j) for j in range(study.sum()))
        for cause, y in enumerate(study):
            log += sum(np.log(s * theta[:, cause] + j) for j in range(y))
    return theta, s, np.exp(log - log.max()), random


def quantiles(x: np.ndarray, weight: np.ndarray) -> np.ndarray:
    order = np.argsort(x)
    return np.interp(TAILS, np.cumsum(weight[order]) / weight.sum(), x[order])


@pytest.mark.lengthy
def test_quantiles_agree_with_draws() -> None:
    theta, s, weight, random = weighted_draws()
    found = shares(COUNTS)
    for cause in range(3):
        assert share_parts(found, cause).quantiles(TAILS) == pytest.approx(
            quantiles(theta[:, cause], weight), abs=0.005
        )
        ahead = random.beta(s * theta[:, cause] + 1e-300, s * (1 - theta[:, cause]) + 1e-300)
        assert new_centre_parts(found, cause).quantiles(TAILS) == pytest.approx(
            quantiles(ahead, weight), abs=0.01
        )


def test_one_return_gives_a_plain_beta() -> None:
    # One study, one return: theta of the cause is Beta(3/2, 1/2) whatever tau is.
    parts = share_parts(shares([[1], [0]]), 0)
    assert parts.quantiles(TAILS) == pytest.approx(stats.beta(1.5, 0.5).ppf(TAILS), rel=1e-12)
    assert parts.mean == pytest.approx(0.75, abs=1e-14)


def test_a_cause_that_never_occurs_has_an_upper_limit_only() -> None:
    lower, median, upper = share_parts(shares(COUNTS), 3).quantiles(TAILS)
    assert lower < 1e-6
    assert median < 0.01
    assert 0.05 < upper < 0.2


def test_new_centres_are_wider_than_the_mean_with_the_same_middle() -> None:
    found = shares(COUNTS)
    for cause in range(3):
        mean, ahead = share_parts(found, cause), new_centre_parts(found, cause)
        assert ahead.mean == pytest.approx(mean.mean, abs=1e-5)
        assert ahead.quantiles(TAILS)[0] < mean.quantiles(TAILS)[0]
        assert ahead.quantiles(TAILS)[2] > mean.quantiles(TAILS)[2]


def test_without_returns_tau_is_half_normal() -> None:
    found = tau_quantiles(shares([[0, 0], [0, 0]]), np.array([0.025, 0.5, 0.95]))
    assert found == pytest.approx(stats.halfnorm.ppf([0.025, 0.5, 0.95]), rel=1e-9)


@pytest.mark.parametrize("precision", [1.0, 50.0, 4_000.0])
def test_a_part_widened_to_a_new_centre_keeps_its_mean_and_has_the_variance_of_both_stages(
    precision: float,
) -> None:
    """theta is Beta(a, b); given it the share is Beta(s theta, s (1 - theta)): the law of total variance."""
    alpha = 0.25
    parts = Parts(k=np.array([2]), others=np.array([3]), weight=np.ones(1), log_coefficient=np.zeros(1))
    _, a, b = _matched(parts, np.zeros((1, 6)), np.array([precision]), alpha)
    theta = stats.beta(alpha + 2, 1 - alpha + 3)
    within = theta.expect(lambda x: x * (1 - x)) / (precision + 1)
    found = stats.beta(float(a[0]), float(b[0]))
    assert found.mean() == pytest.approx(theta.mean(), rel=1e-12)
    assert found.var() == pytest.approx(theta.var() + within, rel=1e-9)
