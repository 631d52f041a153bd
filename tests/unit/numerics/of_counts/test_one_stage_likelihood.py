"""The marginal likelihood against brute-force integration, its derivatives against differences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import integrate, special, stats

from metakit.numerics.of_counts import one_stage_models as models
from metakit.numerics.of_counts.one_stage_likelihood import marginal

EVENTS, TOTAL = np.array([[0.0, 2.0, 7.0]]), np.array([[31.0, 40.0, 55.0]])
TIME = np.array([[12.0, 30.5, 41.0]])
TABLE = tuple(
    np.array([row]) for row in ([1.0, 0.0, 6.0], [30.0, 25.0, 60.0], [4.0, 2.0, 3.0], [32.0, 27.0, 55.0])
)
RATES = (TABLE[0], np.array([[120.0, 77.0, 210.0]]), TABLE[2], np.array([[98.0, 80.0, 190.0]]))


def by_quad(study: Callable[[int, float], float], k: int, spread: float) -> float:
    """Sum over studies of the log of the integral over one standard normal variable."""
    total = 0.0
    for i in range(k):
        value, _ = integrate.quad(
            lambda z, i=i: study(i, spread * z) * stats.norm.pdf(z),
            -12,
            12,
            epsabs=0,
            epsrel=1e-12,
            limit=400,
        )
        total += np.log(value)
    return total


def prepared(name: str) -> models.Prepared:
    return {
        "binomial_normal": lambda: models.binomial_normal(EVENTS, TOTAL),
        "poisson_normal": lambda: models.poisson_normal(EVENTS, TIME),
        "hypergeometric_normal": lambda: models.hypergeometric_normal(*TABLE),
        "conditional_binomial_normal": lambda: models.conditional_binomial_normal(*RATES),
        "binomial_fixed": lambda: models.two_arm_binomial_normal(*TABLE, random_intercepts=False),
        "binomial_random": lambda: models.two_arm_binomial_normal(*TABLE, random_intercepts=True),
        "poisson_fixed": lambda: models.two_arm_poisson_normal(*RATES, random_intercepts=False),
        "poisson_random": lambda: models.two_arm_poisson_normal(*RATES, random_intercepts=True),
    }[name]()


NAMES = (
    "binomial_normal",
    "poisson_normal",
    "hypergeometric_normal",
    "conditional_binomial_normal",
    "binomial_fixed",
    "binomial_random",
    "poisson_fixed",
    "poisson_random",
)


def study_density(name: str, effect: float, intercepts: np.ndarray) -> Callable[[int, float], float]:
    """Probability of study i's counts given its random effect, by scipy.stats."""
    a, n1, c, n2 = (column[0] for column in TABLE)
    x1, t1, x2, t2 = (column[0] for column in RATES)
    return {
        "binomial_normal": lambda i, u: stats.binom.pmf(EVENTS[0, i], TOTAL[0, i], special.expit(effect + u)),
        "poisson_normal": lambda i, u: stats.poisson.pmf(EVENTS[0, i], TIME[0, i] * np.exp(effect + u)),
        "hypergeometric_normal": lambda i, u: stats.nchypergeom_fisher.pmf(
            a[i], n1[i] + n2[i], n1[i], a[i] + c[i], np.exp(effect + u)
        ),
        "conditional_binomial_normal": lambda i, u: stats.binom.pmf(
            x1[i], x1[i] + x2[i], special.expit(effect + u + np.log(t1[i] / t2[i]))
        ),
        "binomial_fixed": lambda i, u: (
            stats.binom.pmf(a[i], n1[i], special.expit(intercepts[i] + (effect + u) / 2))
            * stats.binom.pmf(c[i], n2[i], special.expit(intercepts[i] - (effect + u) / 2))
        ),
        "poisson_fixed": lambda i, u: (
            stats.poisson.pmf(x1[i], t1[i] * np.exp(intercepts[i] + (effect + u) / 2))
            * stats.poisson.pmf(x2[i], t2[i] * np.exp(intercepts[i] - (effect + u) / 2))
        ),
    }[name]


@pytest.mark.grid
@pytest.mark.parametrize("name", [name for name in NAMES if "random" not in name])
@pytest.mark.parametrize("spread", [0.2, 1.1])
def test_one_random_effect_is_the_brute_force_integral(name: str, spread: float) -> None:
    """Source: scipy.integrate.quad over scipy.stats densities. Nine digits is what quad itself promises."""
    intercepts = np.array([-2.5, -3.0, -2.0])
    effect = -2.4 if name in ("binomial_normal", "poisson_normal") else -0.4
    model = prepared(name).model
    found = marginal(model, np.array([[effect, spread]]), intercepts[None], nodes=161 if spread > 1 else 41)
    expected = by_quad(study_density(name, effect, intercepts), 3, spread)
    assert found.value[0] == pytest.approx(expected, rel=1e-9)


def test_two_random_effects_are_the_brute_force_integral() -> None:
    """Source: a fine trapezium grid in the plane, exponentially accurate for such smooth integrands."""
    effect, level, tau, sigma = -0.4, -2.6, 0.5, 0.7
    a, n1, c, n2 = (column[0] for column in TABLE)
    grid = np.linspace(-9, 9, 721)
    u, w = np.meshgrid(grid, grid)
    prior = stats.norm.pdf(u) * stats.norm.pdf(w) * (grid[1] - grid[0]) ** 2
    expected = 0.0
    for i in range(3):
        own = level + sigma * w
        half = (effect + tau * u) / 2
        expected += np.log(
            np.sum(
                prior
                * stats.binom.pmf(a[i], n1[i], special.expit(own + half))
                * stats.binom.pmf(c[i], n2[i], special.expit(own - half))
            )
        )
    found = marginal(
        prepared("binomial_random").model, np.array([[effect, level, tau, sigma]]), np.zeros((1, 0)), nodes=31
    )
    assert found.value[0] == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("name", NAMES)
def test_gradient_and_hessian_are_those_of_the_value(name: str) -> None:
    model = prepared(name).model
    size = model.coefficients + model.dimensions
    point = np.array([[-0.4, 0.6]]) if size == 2 else np.array([[-0.4, -2.6, 0.6, 0.5]])
    if name in ("binomial_normal", "poisson_normal"):
        point[0, 0] = -2.4
    intercepts = np.array([[-2.5, -3.0, -2.0]])
    nodes = 41

    def at(shift: np.ndarray, own: np.ndarray | float = 0.0) -> tuple[float, np.ndarray, np.ndarray]:
        found = marginal(model, point + shift, intercepts + own, nodes=nodes)
        return float(found.value[0]), found.gradient[0], found.intercept_gradient[0]

    here = marginal(model, point, intercepts, nodes=nodes)
    step = 1e-5
    for p in range(size):
        shift = np.zeros((1, size))
        shift[0, p] = step
        up, down = at(shift), at(-shift)
        assert here.gradient[0, p] == pytest.approx((up[0] - down[0]) / (2 * step), rel=1e-6, abs=1e-7)
        assert here.hessian[0, p] == pytest.approx((up[1] - down[1]) / (2 * step), rel=1e-6, abs=1e-6)
        if model.study_intercepts:
            difference = (up[2] - down[2]) / (2 * step)
            assert here.intercept_cross[0, :, p] == pytest.approx(difference, rel=1e-6, abs=1e-6)
    if model.study_intercepts:
        for i in range(3):
            own = np.zeros((1, 3))
            own[0, i] = step
            up, down = at(np.zeros((1, size)), own), at(np.zeros((1, size)), -own)
            slope = (up[0] - down[0]) / (2 * step)
            assert here.intercept_gradient[0, i] == pytest.approx(slope, rel=1e-6, abs=1e-7)
            curve = (up[2][i] - down[2][i]) / (2 * step)
            assert here.intercept_hessian[0, i] == pytest.approx(curve, rel=1e-6, abs=1e-6)


def test_without_spread_the_likelihood_is_the_plain_one() -> None:
    found = marginal(prepared("binomial_normal").model, np.array([[-2.0, 0.0]]), np.zeros((1, 0)), nodes=5)
    expected = stats.binom.logpmf(EVENTS, TOTAL, special.expit(-2.0)).sum()
    assert found.value[0] == pytest.approx(expected, rel=1e-13)
    assert found.gradient[0, 1] == pytest.approx(0.0, abs=1e-12)


def test_an_absent_study_changes_nothing() -> None:
    padded = models.binomial_normal(np.append(EVENTS, [[0.0]], axis=1), np.append(TOTAL, [[0.0]], axis=1))
    point = np.array([[-2.0, 0.8]])
    bare = marginal(prepared("binomial_normal").model, point, np.zeros((1, 0)), nodes=21)
    with_hole = marginal(padded.model, point, np.zeros((1, 0)), nodes=21)
    assert with_hole.value[0] == pytest.approx(bare.value[0], rel=1e-14)
    assert with_hole.hessian[0] == pytest.approx(bare.hessian[0], rel=1e-13)
