"""Prediction intervals and probabilities beyond a threshold."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from metakit.numerics import prediction
from metakit.numerics.weights import prepare, weigh

Y = np.array([0.12, 0.85, -0.30, 0.55, 0.40, 1.20])
V = np.full(6, 0.05)
STUDIES = prepare(Y, V)
WEIGHTS = weigh(STUDIES, np.float64(0.2))


# Equal variances: mean and spread by hand (Higgins, Thompson & Spiegelhalter 2009; Partlett & Riley 2017).
def test_equal_variances_by_hand() -> None:
    usual = prediction.higgins_thompson_spiegelhalter(STUDIES, WEIGHTS, 0.95)
    spread = np.sqrt(0.2 + 0.25 / 6)
    assert usual.df == 4
    assert float(usual.upper) == pytest.approx(Y.mean() + stats.t.ppf(0.975, 4) * spread, rel=1e-12)
    scaled = prediction.hartung_knapp_prediction(STUDIES, WEIGHTS, 0.95)
    spread = np.sqrt(0.2 + np.var(Y, ddof=1) / 6)
    assert scaled.df == 5
    assert float(scaled.lower) == pytest.approx(Y.mean() - stats.t.ppf(0.975, 5) * spread, rel=1e-12)


@pytest.mark.parametrize(
    "kernel",
    [
        prediction.higgins_thompson_spiegelhalter,
        prediction.hartung_knapp_prediction,
        prediction.bootstrap_prediction,
    ],
)
def test_two_studies_predict_nothing(kernel) -> None:
    two = prepare([0.1, 0.1], [0.1, 0.2])
    found = kernel(two, weigh(two, 0.0), 0.95)
    assert (float(found.lower), float(found.upper)) == (-np.inf, np.inf)


def test_bootstrap_is_repeatable_and_each_row_starts_from_the_seed() -> None:
    batch = prepare(np.stack([Y, Y + 1.0]), np.stack([V, V]))
    found = prediction.bootstrap_prediction(batch, WEIGHTS, 0.95, draws=2000, seed=4)
    again = prediction.bootstrap_prediction(STUDIES, WEIGHTS, 0.95, draws=2000, seed=4)
    assert found.lower[0] == again.lower
    assert found.lower[1] == pytest.approx(found.lower[0] + 1.0, abs=1e-9)
    other = prediction.bootstrap_prediction(STUDIES, WEIGHTS, 0.95, draws=2000, seed=5)
    assert other.lower != again.lower


# Equal variances: (k - 1) times the variance of the effects over (v + tau2) is chi-squared, so tau2 can be
# drawn directly and the percentiles simulated without any of our code.
def test_bootstrap_against_a_direct_simulation() -> None:
    found = prediction.bootstrap_prediction(STUDIES, WEIGHTS, 0.95, draws=100_000, seed=1)
    rng = np.random.default_rng(9)
    n = 400_000
    drawn = np.maximum(5 * np.var(Y, ddof=1) / rng.chisquare(5, n) - 0.05, 0.0)
    new = Y.mean() + np.sqrt(drawn) * rng.normal(size=n)
    new -= np.sqrt(np.var(Y, ddof=1) / 6) * rng.standard_t(5, n)
    lower, upper = np.quantile(new, [0.025, 0.975])
    assert float(found.lower) == pytest.approx(lower, abs=0.03)
    assert float(found.upper) == pytest.approx(upper, abs=0.03)


def test_probabilities_are_the_distribution_functions() -> None:
    assert prediction.share_below(0.0, 0.3, 0.04) == pytest.approx(stats.norm.cdf(-1.5))
    assert prediction.probability_below(0.0, 0.3, 0.1, 0.04, 5.0) == pytest.approx(
        stats.t.cdf(-0.3 / np.sqrt(0.05), 5)
    )
    assert prediction.probability_below(0.0, 0.3, 0.1, 0.04, np.inf) == pytest.approx(
        stats.norm.cdf(-0.3 / np.sqrt(0.05))
    )


def test_without_spread_the_share_is_all_or_nothing() -> None:
    assert prediction.share_below([-1.0, 0.3, 1.0], 0.3, 0.0).tolist() == [0.0, 0.5, 1.0]
    assert prediction.probability_below([0.2, 0.4], 0.3, 0.0, 0.0, 3.0).tolist() == [0.0, 1.0]


def test_prediction_limits_are_quantiles_of_the_probability() -> None:
    found = prediction.higgins_thompson_spiegelhalter(STUDIES, WEIGHTS, 0.95)
    error = np.sqrt(0.25 / 6)
    assert prediction.probability_below(found.lower, Y.mean(), error, 0.2, 4.0) == pytest.approx(
        0.025, rel=1e-10
    )
