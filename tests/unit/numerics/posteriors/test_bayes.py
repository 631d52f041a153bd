"""Posterior integrals against scipy.integrate.quad and conjugate limits."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from metakit.numerics.posteriors.bayes import Posterior, conditional, posterior
from metakit.numerics.posteriors.bayes_marginals import shortest_interval
from metakit.numerics.posteriors.bayes_priors import TauPrior, half_cauchy, half_normal, log_normal, uniform

EFFECT = np.array([0.12, -0.35, 0.61, 0.28])
VARIANCE = np.array([0.05, 0.11, 0.08, 0.21])
PRIORS = [half_normal(0.5), half_cauchy(0.3), uniform(2.0), uniform(math.inf), log_normal(-2.56, 1.74)]


def scipy_prior(prior: TauPrior, tau: float) -> float:
    """Source: scipy.stats; for the log-normal of tau^2 by change of variable."""
    densities = {
        "half_normal": lambda: stats.halfnorm.pdf(tau, scale=0.5),
        "half_cauchy": lambda: stats.halfcauchy.pdf(tau, scale=0.3),
        "log_normal": lambda: stats.lognorm.pdf(tau**2, s=1.74, scale=math.exp(-2.56)) * 2 * tau,
        "uniform": lambda: 1.0 if math.isinf(prior.upper) else 0.5 * (tau <= 2.0),
    }
    return float(densities[prior.name]())


@pytest.mark.parametrize("prior", PRIORS, ids=lambda prior: f"{prior.name}-{prior.upper:g}")
def test_prior_densities_are_those_of_scipy(prior: TauPrior) -> None:
    tau = np.array([0.01, 0.3, 1.1])
    assert np.exp(prior.log_density(tau)) == pytest.approx([scipy_prior(prior, t) for t in tau], rel=1e-12)


def brute(prior: TauPrior, effect: np.ndarray, variance: np.ndarray) -> dict[str, float]:
    """Means, tail probabilities and a tau probability by quad over tau, likelihood by scipy.stats."""
    k = len(effect)

    def height(tau: float) -> float:
        # Flat prior of the mean: the likelihood of contrasts, by integrating the mean out with linear algebra.
        total = variance + tau**2
        precision = np.sum(1 / total)
        mean = np.sum(effect / total) / precision
        value = np.prod(stats.norm.pdf(effect, mean, np.sqrt(total))) / np.sqrt(precision)
        return float(value * scipy_prior(prior, tau))

    def given(tau: float) -> tuple[float, float]:
        total = variance + tau**2
        return float(np.sum(effect / total) / np.sum(1 / total)), float(1 / np.sum(1 / total))

    top = min(prior.upper, math.inf)

    def average(function: object) -> float:
        upper = top if math.isfinite(top) else np.inf
        cuts = [0.0, 0.02, 0.1, 0.4, 1.0, upper if math.isfinite(upper) else 5.0]
        total = 0.0
        for low, high in itertools.pairwise(cuts):
            total += integrate.quad(
                lambda t: height(t) * function(t), low, high, epsabs=0, epsrel=1e-11, limit=300
            )[0]  # type: ignore[operator]
        if math.isinf(upper):
            total += integrate.quad(
                lambda t: height(t) * function(t), 5.0, np.inf, epsabs=0, epsrel=1e-10, limit=300
            )[0]  # type: ignore[operator]
        return total

    mass = average(lambda t: 1.0)
    share = VARIANCE[0] if k == 4 else variance[0]

    def own(tau: float) -> float:
        pull = share / (share + tau**2)
        return pull * given(tau)[0] + (1 - pull) * effect[0]

    return {
        "mean_above": average(lambda t: stats.norm.sf(0.1, given(t)[0], math.sqrt(given(t)[1]))) / mass,
        "new_above": average(lambda t: stats.norm.sf(0.1, given(t)[0], math.sqrt(given(t)[1] + t * t)))
        / mass,
        "mean": average(lambda t: given(t)[0]) / mass,
        "own_mean": average(own) / mass,
        "tau_below": average(lambda t: float(t < 0.4)) / mass,
    }


@pytest.mark.parametrize("prior", PRIORS, ids=lambda prior: f"{prior.name}-{prior.upper:g}")
def test_posterior_against_brute_force(prior: TauPrior) -> None:
    found, expected = posterior(EFFECT, VARIANCE, prior), brute(prior, EFFECT, VARIANCE)
    above = found.marginals.tail_above(np.full(6, 0.1))
    means, _ = found.marginals.moments()
    assert above[0] == pytest.approx(expected["mean_above"], abs=1e-9)
    assert above[1] == pytest.approx(expected["new_above"], abs=1e-9)
    assert means[0] == pytest.approx(expected["mean"], abs=1e-8)
    assert means[2] == pytest.approx(expected["own_mean"], abs=1e-8)
    assert found.tau.quantile(expected["tau_below"]) == pytest.approx(0.4, abs=1e-7)
    assert found.study_weight.sum() == pytest.approx(1.0, rel=1e-12)


def test_quantiles_invert_tail_probabilities() -> None:
    found = posterior(EFFECT, VARIANCE, half_normal(0.5))
    for p in (1e-6, 0.025, 0.5, 0.975, 1 - 1e-6):
        value = found.marginals.quantile(np.full(6, p))
        assert found.marginals.tail_above(value) == pytest.approx(np.full(6, 1 - p), abs=1e-12)


def test_a_tight_prior_of_tau_gives_the_common_effect() -> None:
    found = posterior(EFFECT, VARIANCE, half_normal(1e-6))
    weight = 1 / VARIANCE
    mean, deviation = found.marginals.moments()
    assert mean[0] == pytest.approx(np.average(EFFECT, weights=weight), abs=1e-9)
    assert deviation[0] == pytest.approx(weight.sum() ** -0.5, rel=1e-9)


def test_one_study_gives_back_the_prior_of_tau() -> None:
    """With a flat mean a single study says nothing on tau."""
    found = posterior(np.array([0.3]), np.array([0.04]), half_normal(0.5))
    for p in (0.1, 0.5, 0.9):
        assert found.tau.quantile(p) == pytest.approx(stats.halfnorm.ppf(p, scale=0.5), rel=1e-9)
    assert found.marginals.quantile(np.full(3, 0.5))[0] == pytest.approx(0.3, abs=1e-12)


def test_a_normal_prior_of_the_mean_acts_as_one_more_observation() -> None:
    """Conjugate normal model, tau next to 0: precisions and weighted means add up (any textbook)."""
    found = posterior(EFFECT, VARIANCE, half_normal(1e-6), mean_location=1.0, mean_precision=4.0)
    precision = np.sum(1 / VARIANCE) + 4.0
    mean, deviation = found.marginals.moments()
    assert mean[0] == pytest.approx((np.sum(EFFECT / VARIANCE) + 4.0) / precision, abs=1e-9)
    assert deviation[0] == pytest.approx(precision**-0.5, rel=1e-9)
    given = conditional(EFFECT, VARIANCE, np.array([0.3]), mean_location=1.0, mean_precision=4.0)
    total = np.diag(VARIANCE + 0.09) + 0.25
    expected = stats.multivariate_normal(np.ones(4), total).logpdf(EFFECT)
    constant = 0.5 * math.log(4.0) - 2.0 * math.log(2 * math.pi)
    assert given.log_likelihood[0] + constant == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("prior", "k", "tau_moments"),
    [
        (half_cauchy(0.5), 1, 0),
        (half_cauchy(0.5), 2, 1),
        (half_cauchy(0.5), 3, 2),
        (uniform(math.inf), 3, 0),
        (uniform(math.inf), 4, 1),
        (half_normal(0.5), 1, math.inf),
    ],
)
def test_moments_that_exist(prior: TauPrior, k: int, tau_moments: float) -> None:
    """The tail of the posterior of tau falls like the prior's times tau^-(k-1)."""
    found = posterior(EFFECT[:k], VARIANCE[:k], prior)
    assert found.tau_moments == tau_moments and found.mean_moments == tau_moments


@pytest.mark.parametrize("factor", [1e-4, 37.0, 1e5])
def test_units_do_not_matter(factor: float) -> None:
    here = posterior(EFFECT, VARIANCE, half_normal(0.5))
    there = posterior(EFFECT * factor, VARIANCE * factor**2, half_normal(0.5 * factor))
    ours, theirs = (part.marginals.quantile(np.full(6, 0.975)) for part in (here, there))
    assert theirs == pytest.approx(ours * factor, rel=1e-9)
    assert there.tau.quantile(0.9) == pytest.approx(here.tau.quantile(0.9) * factor, rel=1e-9)


def test_far_effects_keep_their_digits() -> None:
    near, far = (posterior(EFFECT + shift, VARIANCE, half_normal(0.5)) for shift in (0.0, 1e8))
    gap = far.marginals.quantile(np.full(6, 0.5)) - near.marginals.quantile(np.full(6, 0.5))
    assert gap == pytest.approx(np.full(6, 1e8), abs=1e-6)


def test_variances_over_twelve_orders_of_magnitude() -> None:
    effect, variance = np.array([0.30, 0.31, 0.29, 0.8]), np.array([1e-6, 1e6, 1e-3, 1.0])
    found = posterior(effect, variance, half_normal(0.5))
    expected = brute(half_normal(0.5), effect, variance)
    assert found.marginals.tail_above(np.full(6, 0.1))[:2] == pytest.approx(
        [expected["mean_above"], expected["new_above"]], abs=1e-7
    )


def single(found: Posterior) -> tuple[object, object]:
    marginal = found.marginals.row(0)
    return (
        lambda p: marginal.times(len(p)).quantile(p),
        lambda value: float(marginal.density(np.array([value]))[0]),
    )


def test_shortest_interval_is_shortest() -> None:
    """Source: scipy.optimize.minimize_scalar over the start probability."""
    found = posterior(EFFECT, VARIANCE, half_normal(0.5))
    quantile, density = single(found)
    low, high = shortest_interval(quantile, density, 0.95)  # type: ignore[arg-type]
    best = optimize.minimize_scalar(
        lambda p: float(np.diff(quantile(np.array([p, p + 0.95])))[0]),  # type: ignore[operator]
        bounds=(1e-6, 0.05 - 1e-6),
        method="bounded",
        options={"xatol": 1e-12},
    )
    assert high - low == pytest.approx(best.fun, rel=1e-9)
    assert density(low) == pytest.approx(density(high), rel=1e-6)  # type: ignore[operator]


def test_shortest_interval_of_a_falling_density_starts_at_its_edge() -> None:
    """Exponential distribution: the shortest interval starts at 0 (any textbook)."""
    low, high = shortest_interval(
        lambda p: stats.expon.ppf(p), lambda value: float(stats.expon.pdf(value)), 0.9
    )
    assert (low, high) == pytest.approx((0.0, stats.expon.ppf(0.9)), abs=1e-12)


def test_without_a_word_the_prior_of_the_mean_is_flat() -> None:
    effect, variance, tau = np.array([0.2, 0.9]), np.array([0.04, 0.3]), np.array([0.0, 0.5])
    flat = conditional(effect, variance, tau)
    weight = 1 / (variance + tau[:, None] ** 2)
    assert flat.mean == pytest.approx((weight * effect).sum(axis=1) / weight.sum(axis=1), rel=1e-13)
    assert flat.variance == pytest.approx(1 / weight.sum(axis=1), rel=1e-13)
    drawn = conditional(effect, variance, tau, mean_location=5.0, mean_precision=2.0)
    assert drawn.mean == pytest.approx(
        ((weight * effect).sum(axis=1) + 10.0) / (weight.sum(axis=1) + 2.0), rel=1e-13
    )
