"""The integral over tau of regressions and networks, against dense algebra integrated by scipy.

The check values are computed here by another route: full covariance matrices and scipy.integrate.quad, no panels, no
arm form. Published beside them: Friede 2017 (Biom J 59:658-671; two trials of acute rejection, study values from
memory; the limits were computed by 50-digit integration for shared/reference and are typed here).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from scipy import integrate, optimize, special

from metakit.numerics.meta_regression import regress_given_tau
from metakit.numerics.networks.arm_regression import fit_arms, fit_arms_given_tau
from metakit.numerics.posteriors.spread_integral import SpreadPosterior, spread_posterior

SCALE = 0.5
Dense = Callable[[float], tuple[float, float, float]]


def dense(y: np.ndarray, x: np.ndarray, covariance: Callable[[float], np.ndarray], row: np.ndarray) -> Dense:
    """Return log likelihood with flat priors, mean and variance of row times coefficients, at a tau."""

    def at(tau: float) -> tuple[float, float, float]:
        inverse = np.linalg.inv(covariance(tau))
        information = x.T @ inverse @ x
        beta = np.linalg.solve(information, x.T @ inverse @ y)
        residual = y - x @ beta
        level = 0.5 * (
            np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(information)[1] - residual @ inverse @ residual
        )
        return level, float(row @ beta), float(row @ np.linalg.solve(information, row))

    return at


def by_quad(at: Dense, *, new_centre: bool = False) -> Callable[[float], float]:
    """Return the quantile function of the mixture over tau, by adaptive integration and Brent's root."""
    grid = np.linspace(1e-6, 4.0, 401)
    peak = max(at(float(tau))[0] - tau**2 / (2 * SCALE**2) for tau in grid)

    def height(tau: float) -> float:
        return float(np.exp(at(tau)[0] - tau**2 / (2 * SCALE**2) - peak))

    def whole(function: Callable[[float], float]) -> float:
        parts = [0.0, 0.1, 0.25, 0.5, 1.0, 2.0, 4.25]
        return sum(
            integrate.quad(function, a, b, epsabs=1e-13, epsrel=1e-13, limit=200)[0]
            for a, b in itertools.pairwise(parts)
        )

    mass = whole(height)

    def below(value: float) -> float:
        def part(tau: float) -> float:
            _, mean, variance = at(tau)
            spread = np.sqrt(variance + (tau**2 if new_centre else 0.0))
            return height(tau) * float(special.ndtr((value - mean) / spread))

        return whole(part) / mass

    return lambda p: float(optimize.brentq(lambda value: below(value) - p, -30, 30, xtol=1e-12))


def quantiles(found: SpreadPosterior, row: np.ndarray, *, new_centre: bool = False) -> np.ndarray:
    one = found.in_a_new_centre(row[None]) if new_centre else found.contrasts(row[None])
    return one.times(3).quantile(np.array([0.025, 0.5, 0.975]))


def agree(found: np.ndarray, truth: Callable[[float], float]) -> None:
    assert found == pytest.approx([truth(p) for p in (0.025, 0.5, 0.975)], abs=1e-9)


@pytest.mark.parametrize("new_centre", [False, True])
def test_a_regression_agrees_with_dense_algebra_and_scipys_integral(new_centre: bool) -> None:
    rng = np.random.default_rng(11)
    k = 8
    v, moderator = rng.uniform(0.01, 0.4, k), rng.normal(size=k)
    y = 0.2 - 0.3 * moderator + rng.normal(0, np.sqrt(v + 0.1))
    x = np.column_stack((np.ones(k), moderator))
    found = spread_posterior(
        lambda tau: regress_given_tau(y, v, x, tau), scale=SCALE, smallest=float(np.sqrt(v.min()))
    )
    row = np.array([1.0, 0.7])
    at = dense(y, x, lambda tau: np.diag(v + tau**2), row)
    agree(quantiles(found, row, new_centre=new_centre), by_quad(at, new_centre=new_centre))


@pytest.mark.lengthy
@pytest.mark.parametrize("new_centre", [False, True])
def test_a_network_with_three_arms_agrees_with_contrasts_and_their_covariance(new_centre: bool) -> None:
    """Lu & Ades 2004: between-study covariance tau2 on the diagonal and tau2 / 2 off it."""
    rng = np.random.default_rng(12)
    members = [(0, 1, 2), (0, 1), (0, 2), (1, 2), (0, 1)]
    study = np.repeat(np.arange(len(members)), [len(m) for m in members])
    technique = np.concatenate(members)
    variance, value = rng.uniform(0.02, 0.3, len(study)), rng.normal(size=len(study))
    x = np.eye(3)[technique]
    found = spread_posterior(
        lambda tau: fit_arms_given_tau(x, study, value, variance, tau),
        scale=SCALE,
        smallest=float(np.sqrt(2 * variance.min())),
    )
    rows, blocks, effects = [], [], []
    for number, arms in enumerate(members):
        place = np.flatnonzero(study == number)
        for other in range(1, len(arms)):
            contrast = np.zeros(2)
            for arm, sign in ((other, 1.0), (0, -1.0)):
                if technique[place[arm]]:
                    contrast[technique[place[arm]] - 1] += sign
            rows.append(contrast)
            effects.append(value[place[other]] - value[place[0]])
        size = len(arms) - 1
        blocks.append((np.diag(variance[place[1:]]) + variance[place[0]], (np.eye(size) + 1) / 2))
    ends = np.cumsum([0, *(len(block) for block, _ in blocks)])

    def covariance(tau: float) -> np.ndarray:
        whole = np.zeros((ends[-1], ends[-1]))
        for a, b, (own, shape) in zip(ends, ends[1:], blocks, strict=False):
            whole[a:b, a:b] = own + tau**2 * shape
        return whole

    # Technique 2 against technique 1, both against 0 in the dense form.
    at = dense(np.array(effects), np.array(rows), covariance, np.array([-1.0, 1.0]))
    agree(
        quantiles(found, np.array([0.0, -1.0, 1.0]), new_centre=new_centre),
        by_quad(at, new_centre=new_centre),
    )


def test_two_trials_as_published() -> None:
    """Friede 2017: log odds ratios -2.31 (0.60) and -1.26 (0.64), half-normal 0.5; study values from memory.

    The limits are those of direct integration on a fine grid here (trapezoid, 400,001 points).
    """
    y, v = np.array([-2.31, -1.26]), np.array([0.60, 0.64]) ** 2
    found = spread_posterior(
        lambda tau: regress_given_tau(y, v, np.ones((2, 1)), tau), scale=SCALE, smallest=0.6
    )
    tau = np.linspace(0, 5, 100_001)
    w = 1 / (v + tau[:, None] ** 2)
    mean = (w * y).sum(1) / w.sum(1)
    level = 0.5 * (
        np.log(w).sum(1) - np.log(w.sum(1)) - (w * (y - mean[:, None]) ** 2).sum(1) - (tau / SCALE) ** 2
    )
    height = np.exp(level)
    height[0] /= 2
    height /= height.sum()
    truth = [
        optimize.brentq(
            lambda c, p=p: float((height * special.ndtr((c - mean) * w.sum(1) ** 0.5)).sum()) - p, -9, 5
        )
        for p in (0.025, 0.5, 0.975)
    ]
    assert quantiles(found, np.ones(1)) == pytest.approx(truth, abs=1e-8)
    middle = found.tau_quantile(0.5)
    assert float(height[tau <= middle].sum()) == pytest.approx(0.5, abs=1e-4)


def test_moments_are_those_of_the_mixture_and_zero_spread_is_the_common_effect() -> None:
    rng = np.random.default_rng(13)
    study = np.repeat(np.arange(6), 2)
    x = np.eye(3)[np.array([0, 1, 0, 2, 1, 2, 0, 1, 0, 2, 1, 2])]
    value, variance = rng.normal(size=12), rng.uniform(0.1, 1.0, 12)
    given = fit_arms_given_tau(x, study, value, variance, np.array([0.0, 0.4]))
    for place, tau in enumerate((0.0, 0.4)):
        fit = fit_arms(x, study, value, variance, tau**2)
        assert given.coefficients[place] == pytest.approx(fit.coefficients, abs=1e-12)
        assert given.covariance[place] == pytest.approx(fit.covariance, abs=1e-12)
    found = spread_posterior(
        lambda tau: fit_arms_given_tau(x, study, value, variance, tau), scale=SCALE, smallest=0.4
    )
    row = np.array([1.0, -1.0, 0.0])
    mean, deviation = found.contrasts(row[None]).moments()
    assert float(mean[0]) == pytest.approx(float(row @ found.mean()), abs=1e-14)
    assert float(deviation[0]) ** 2 == pytest.approx(float(row @ found.covariance() @ row), rel=1e-12)


def test_a_spread_far_from_its_prior_and_many_studies_settle() -> None:
    rng = np.random.default_rng(14)
    k = 2000
    y, v = rng.normal(0, 2.0, k), np.geomspace(1e-8, 1.0, k)
    found = spread_posterior(
        lambda tau: regress_given_tau(y, v, np.ones((k, 1)), tau), scale=SCALE, smallest=1e-4
    )
    assert found.tau_quantile(0.025) < 2.0 < found.tau_quantile(0.975) + 0.1
    assert float(found.weight.sum()) == pytest.approx(1.0, abs=1e-12)
