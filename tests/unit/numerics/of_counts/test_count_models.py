"""What the half-normal integral is told of counts: likelihoods by scipy.stats, starts by hand, priors in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from metakit.numerics.of_counts import count_models as models

EVENTS_1, SIZE_1 = np.array([1.0, 5.0, 0.0]), np.array([30.0, 40.0, 22.0])
EVENTS_2, SIZE_2 = np.array([0.0, 3.0, 2.0]), np.array([60.0, 20.0, 25.0])
AT = np.array([-1.4, 0.0, 0.9])


def differences(found: np.ndarray, expected: np.ndarray) -> None:
    """Constants that hold no effect may be left out: rows are compared from their first value on."""
    assert found - found[:, :1] == pytest.approx(expected - expected[:, :1], rel=1e-11, abs=1e-11)


def test_two_arms_given_the_events_of_both() -> None:
    model = models.conditional_binomial(EVENTS_1, SIZE_1, EVENTS_2, SIZE_2)
    odds = np.exp(AT) * (SIZE_1 / SIZE_2)[:, None]
    expected = stats.binom.logpmf(EVENTS_1[:, None], (EVENTS_1 + EVENTS_2)[:, None], odds / (1 + odds))
    differences(model.log_likelihood(AT[None, :]), expected)
    assert model.centre == pytest.approx(
        np.log((EVENTS_1 + 0.5) / SIZE_1) - np.log((EVENTS_2 + 0.5) / SIZE_2), rel=1e-14
    )
    assert model.width == pytest.approx(np.sqrt(1 / (EVENTS_1 + 0.5) + 1 / (EVENTS_2 + 0.5)), rel=1e-14)
    assert model.log_prior(AT) == pytest.approx(-0.5 * (AT / 2.82) ** 2, rel=1e-14)
    assert model.prior_precision == pytest.approx(2.82**-2, rel=1e-14)


def test_two_arms_given_both_margins() -> None:
    model = models.conditional_hypergeometric(EVENTS_1, SIZE_1, EVENTS_2, SIZE_2)
    expected = np.array(
        [
            [stats.nchypergeom_fisher.logpmf(x, n + m, x + y, n, np.exp(effect)) for effect in AT]
            for x, n, y, m in zip(EVENTS_1, SIZE_1, EVENTS_2, SIZE_2, strict=True)
        ]
    )
    differences(model.log_likelihood(AT[None, :]), expected)
    cells = [part + 0.5 for part in (EVENTS_1, SIZE_1 - EVENTS_1, EVENTS_2, SIZE_2 - EVENTS_2)]
    assert model.centre == pytest.approx(np.log(cells[0] * cells[3] / cells[1] / cells[2]), rel=1e-13)
    assert model.width == pytest.approx(np.sqrt(sum(1 / cell for cell in cells)), rel=1e-14)
    assert model.prior_precision == pytest.approx(2.82**-2, rel=1e-14)


def test_one_arm_of_counts_with_the_prior_of_jeffreys() -> None:
    """Jeffreys: Beta(1/2, 1/2) of a proportion, rate^(-1/2) of a rate, on the scale of the integral."""
    model = models.binomial_logit(EVENTS_1, SIZE_1)
    differences(
        model.log_likelihood(AT[None, :]),
        stats.binom.logpmf(EVENTS_1[:, None], SIZE_1[:, None], special.expit(AT)),
    )
    p = special.expit(AT)
    assert model.log_prior(AT) == pytest.approx(0.5 * np.log(p) + 0.5 * np.log1p(-p), rel=1e-12)
    others = SIZE_1 - EVENTS_1
    assert model.centre == pytest.approx(np.log((EVENTS_1 + 0.5) / (others + 0.5)), rel=1e-14)
    assert model.width == pytest.approx(np.sqrt(1 / (EVENTS_1 + 0.5) + 1 / (others + 0.5)), rel=1e-14)
    rates = models.poisson_log(EVENTS_1, SIZE_1)
    differences(
        rates.log_likelihood(AT[None, :]),
        stats.poisson.logpmf(EVENTS_1[:, None], SIZE_1[:, None] * np.exp(AT)),
    )
    assert rates.log_prior(AT) == pytest.approx(0.5 * AT, rel=1e-14)
    assert rates.centre == pytest.approx(np.log((EVENTS_1 + 0.5) / SIZE_1), rel=1e-14)
    assert rates.width == pytest.approx(1 / np.sqrt(EVENTS_1 + 0.5), rel=1e-14)
