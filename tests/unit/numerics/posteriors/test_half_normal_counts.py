"""Counts with a half-normal spread: the inner average against Simpson's rule, and the limit of large counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate

from metakit.numerics.of_counts import count_models
from metakit.numerics.posteriors.half_normal_counts import CountModel, _Grids, half_normal_counts
from metakit.numerics.posteriors.half_normal_effects import half_normal_effects

ROWS = (
    np.array([1.0, 0.0, 20.0]),
    np.array([50.0, 40.0, 3000.0]),
    np.array([3.0, 6.0, 60.0]),
    np.array([60.0, 45.0, 2900.0]),
)


@pytest.mark.parametrize("tau", [1e-3, 0.05, 0.2, 0.5, 3.0])
@pytest.mark.parametrize(
    "model",
    [count_models.conditional_binomial(*ROWS), count_models.conditional_hypergeometric(*ROWS)],
    ids=["binomial", "hypergeometric"],
)
def test_the_average_over_a_centre_agrees_with_simpson(model: CountModel, tau: float) -> None:
    points = model.centre.mean() + np.linspace(-1.5, 1.5, 5)
    found = _Grids(model).averaged(points, tau, 0.3)
    for mean, value in zip(points, found, strict=True):
        theta = mean + tau * np.linspace(-12, 12, 20_001)
        level = model.log_likelihood(theta) - 0.5 * ((theta - mean) / tau) ** 2
        top = level.max(axis=1)
        mass = integrate.simpson(np.exp(level - top[:, None]), x=theta, axis=1) / (tau * np.sqrt(2 * np.pi))
        assert value == pytest.approx(float((top + np.log(mass)).sum()), abs=1e-10)


def test_many_events_are_nearly_normal_effects() -> None:
    a, c, n = np.array([2e5, 3e5, 1e5]), np.array([2.2e5, 2.5e5, 1.3e5]), np.full(3, 1e8)
    counts = half_normal_counts(count_models.conditional_binomial(a, n, c, n), scale=0.5)
    effects = half_normal_effects(np.log(a / c), 1 / a + 1 / c, mean_deviation=count_models.MEAN_DEVIATION)
    assert counts.posterior.quantile([0.025, 0.5, 0.975]) == pytest.approx(
        [float(part) for part in (effects.lower, effects.median, effects.upper)], abs=1e-5
    )
    assert float(counts.tau_quantiles(0.5)[0]) == pytest.approx(float(effects.tau), abs=1e-5)


def test_a_study_that_contradicts_the_other_is_answered_symmetrically() -> None:
    a, c, n = np.array([500.0, 10.0]), np.array([10.0, 500.0]), np.full(2, 1000.0)
    found = half_normal_counts(count_models.conditional_binomial(a, n, c, n), scale=0.5).posterior
    low, middle, high = found.quantile([0.025, 0.5, 0.975])
    assert middle == pytest.approx(0.0, abs=1e-9)
    assert low == pytest.approx(-high, abs=1e-9)


def test_studies_of_the_same_counts_may_be_counted_instead_of_repeated() -> None:
    events, total, times = np.array([0.0, 3.0, 5.0]), np.array([20.0, 40.0, 60.0]), np.array([3.0, 1.0, 2.0])
    repeated = count_models.binomial_logit(*(np.repeat(part, times.astype(int)) for part in (events, total)))
    counted = replace(count_models.binomial_logit(events, total), times=times)
    one, other = (half_normal_counts(model, scale=1.0) for model in (repeated, counted))
    asked = [0.025, 0.5, 0.975]
    for new_centre in (False, True):
        found = other.posterior.quantile(asked, new_centre=new_centre)
        assert found == pytest.approx(one.posterior.quantile(asked, new_centre=new_centre), rel=1e-11)
    assert other.tau_quantiles(*asked) == pytest.approx(one.tau_quantiles(*asked), rel=1e-9)
