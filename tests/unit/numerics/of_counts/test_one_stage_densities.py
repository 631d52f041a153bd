"""Log-densities of counts against scipy.stats, their derivatives against differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from metakit.numerics.of_counts import one_stage_densities as densities

PREDICTOR = np.array([[-4.0, -0.7, 0.0, 1.3, 3.5]])


def counts_of(*values: float) -> tuple[np.ndarray, ...]:
    return tuple(np.full((1, 1), value) for value in values)


def test_binomial_is_that_of_scipy() -> None:
    curve = densities.binomial(PREDICTOR, counts_of(3, 11))
    expected = stats.binom.logpmf(3, 11, special.expit(PREDICTOR))
    assert curve.value + densities.binomial_constant(3.0, 11.0) == pytest.approx(expected, rel=1e-13)


def test_poisson_is_that_of_scipy() -> None:
    curve = densities.poisson(PREDICTOR, counts_of(4, 2.5))
    expected = stats.poisson.logpmf(4, 2.5 * np.exp(PREDICTOR))
    assert curve.value + densities.poisson_constant(4.0, 2.5) == pytest.approx(expected, rel=1e-12)


def test_a_value_alone_is_that_of_the_curve_to_the_last_bit() -> None:
    for curve, value in (
        (densities.binomial, densities.binomial_value),
        (densities.poisson, densities.poisson_value),
    ):
        counts = counts_of(3, 11)
        assert np.array_equal(value(PREDICTOR, *counts), curve(PREDICTOR, counts).value)


@pytest.mark.parametrize("table", [(3, 10, 2, 12), (0, 5, 4, 9), (8, 8, 1, 20), (1, 40, 0, 3)])
def test_hypergeometric_is_fishers_of_scipy(table: tuple[int, int, int, int]) -> None:
    """Source: scipy.stats.nchypergeom_fisher."""
    a, n1, c, n2 = table
    support = densities.hypergeometric_support(*(np.array([[float(x)]]) for x in table))
    curve = densities.hypergeometric(PREDICTOR, support)
    expected = stats.nchypergeom_fisher.logpmf(a, n1 + n2, n1, a + c, np.exp(PREDICTOR))
    assert curve.value == pytest.approx(expected, rel=1e-9)
    mean = stats.nchypergeom_fisher.mean(n1 + n2, n1, a + c, np.exp(PREDICTOR))
    assert curve.first == pytest.approx(a - mean, abs=1e-8)


@pytest.mark.parametrize(
    ("density", "counts"),
    [
        (densities.binomial, counts_of(3, 11)),
        (densities.binomial, counts_of(0.4, 6.7)),
        (densities.shifted_binomial, counts_of(2, 5, 0.8)),
        (densities.poisson, counts_of(0, 3.5)),
        (
            densities.hypergeometric,
            densities.hypergeometric_support(*(np.array([[x]]) for x in (3.0, 10.0, 2.0, 12.0))),
        ),
    ],
)
def test_derivatives_are_those_of_the_value(
    density: densities.Density, counts: tuple[np.ndarray, ...]
) -> None:
    step = 1e-5
    here, up, down = (density(PREDICTOR + shift, counts) for shift in (0.0, step, -step))
    assert here.first == pytest.approx((up.value - down.value) / (2 * step), rel=1e-6, abs=1e-7)
    assert here.second == pytest.approx((up.first - down.first) / (2 * step), rel=1e-6, abs=1e-7)
    assert np.all(here.second <= 0)


@pytest.mark.parametrize("density", [densities.binomial, densities.poisson])
def test_a_study_of_zero_counts_says_nothing(density: densities.Density) -> None:
    curve = density(PREDICTOR, counts_of(0, 0))
    assert np.all(curve.value == 0) and np.all(curve.first == 0) and np.all(curve.second == 0)


def test_a_double_zero_table_says_nothing_on_the_odds_ratio() -> None:
    support = densities.hypergeometric_support(*(np.array([[x]]) for x in (0.0, 10.0, 0.0, 12.0)))
    curve = densities.hypergeometric(PREDICTOR, support)
    assert np.all(curve.value == 0) and np.all(curve.first == 0)


@pytest.mark.parametrize("far", [-800.0, 800.0])
def test_far_predictors_stay_finite(far: float) -> None:
    predictor = np.array([[far]])
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        for density, counts in (
            (densities.binomial, counts_of(2, 9)),
            (densities.poisson, counts_of(2, 9)),
        ):
            assert np.all(np.isfinite(np.concatenate(density(predictor, counts))))


def test_a_long_support_is_cut_where_nothing_is_left() -> None:
    """Registry-sized counts: the sum over the whole support, by gamma functions, against the cut one."""
    a, n1, c, n2 = 4900.0, 90_000.0, 3300.0, 52_000.0
    support = densities.hypergeometric_support(*(np.array([[x]]) for x in (a, n1, c, n2)))
    assert support[0].shape[-1] < 8200  # of 8201 possible numbers
    observed = np.log(a * (n2 - c) / (c * (n1 - a)))
    predictor = observed + np.array([[-0.3, -0.05, 0.0, 0.05, 0.3]])
    possible = np.arange(0.0, a + c + 1)
    weight = densities.binomial_constant(possible, n1) + densities.binomial_constant(a + c - possible, n2)
    terms = weight + predictor[0][:, None] * possible
    own = densities.binomial_constant(a, n1) + densities.binomial_constant(c, n2) + predictor[0] * a
    expected = own - special.logsumexp(terms, axis=-1)
    assert densities.hypergeometric(predictor, support).value[0] == pytest.approx(expected, abs=1e-8)
