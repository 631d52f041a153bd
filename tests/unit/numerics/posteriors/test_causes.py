"""Shares of causes: against brute-force integration, conjugate limits and their own symmetries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special, stats

from metakit.numerics.posteriors.causes import shares

COUNTS = np.array([[6, 3, 1], [2, 4, 1], [0, 1, 2], [0, 0, 0]])
"""Invented: four causes, the last never seen, in three studies."""


def likelihood(theta: float, tau: float, events: np.ndarray, total: np.ndarray) -> float:
    """Two causes: the beta-binomial likelihood without binomial coefficients, as a product of factors."""
    s = 4 / tau**2
    value = 1.0
    for x, n in zip(events, total, strict=True):
        for j in range(x):
            value *= s * theta + j
        for j in range(n - x):
            value *= s * (1 - theta) + j
        for j in range(n):
            value /= s + j
    return value


@pytest.fixture(scope="module")
def two_causes_by_brute_force() -> tuple[float, float]:
    """Mean share of the first of two causes, and the marginal probability (scipy.integrate.dblquad)."""
    events, total = np.array([3, 1, 0]), np.array([4, 5, 2])

    def integrand(phi: float, tau: float, power: int) -> float:
        # theta = sin(phi)^2 takes the poles of Jeffreys' prior away: its density in phi is 2 / pi.
        theta = np.sin(phi) ** 2
        return theta**power * 2 / np.pi * likelihood(theta, tau, events, total) * 2 * stats.norm.pdf(tau)

    zero, one = (
        integrate.dblquad(integrand, 1e-9, 10, 0, np.pi / 2, args=(power,), epsabs=1e-14, epsrel=1e-10)[0]
        for power in (0, 1)
    )
    return one / zero, zero


@pytest.mark.lengthy
def test_two_causes_agree_with_brute_force(two_causes_by_brute_force: tuple[float, float]) -> None:
    mean, marginal = two_causes_by_brute_force
    found = shares([[3, 1, 0], [1, 4, 2]])
    assert found.mean[0] == pytest.approx(mean, rel=1e-9)
    assert np.exp(found.log_marginal) == pytest.approx(marginal, rel=1e-9)


def test_three_causes_agree_with_importance_sampling() -> None:
    # 400,000 draws of the prior, weighted by the likelihood; their own error of a mean is about 0.001.
    random = np.random.default_rng(20261129)
    counts = COUNTS[:3]
    theta = random.dirichlet([1 / 3] * 3, 400_000)
    s = 4 / np.abs(random.normal(size=400_000)) ** 2
    log = np.zeros(len(s))
    for study in counts.T:
        log -= sum(np.log(s + j) for j in range(study.sum()))
        for cause, y in enumerate(study):
            log += sum(np.log(s * theta[:, cause] + j) for j in range(y))
    weight = np.exp(log - log.max())
    expected = weight @ theta / weight.sum()
    assert shares(counts).mean == pytest.approx(expected, abs=0.004)


def test_means_add_up_and_weights_are_probabilities() -> None:
    found = shares(COUNTS)
    assert found.mean.sum() == pytest.approx(1, abs=1e-12)
    assert [parts.weight.sum() for parts in found.parts] == pytest.approx(np.ones(4), abs=1e-12)
    assert found.tau_weight.sum() == pytest.approx(1, abs=1e-12)
    assert found.error < 1e-9


def test_without_spread_it_is_the_conjugate_dirichlet() -> None:
    # Prior 1/4 each plus all counts: the textbook posterior of one multinomial.
    found = shares(COUNTS, scale=1e-5)
    total = COUNTS.sum(axis=1)
    assert found.mean == pytest.approx((total + 0.25) / (total.sum() + 1), rel=1e-8)


def test_one_return_leaves_the_prior_of_tau() -> None:
    # A single return says nothing of spread: tau stays half-normal, theta is Dirichlet(1/2 + 1, 1/2).
    found = shares([[1], [0]])
    assert found.mean == pytest.approx([0.75, 0.25], abs=1e-12)
    assert found.tau @ found.tau_weight == pytest.approx(np.sqrt(2 / np.pi), rel=1e-10)


def test_order_of_studies_and_causes_and_empty_studies_change_nothing() -> None:
    found = shares(COUNTS).mean
    assert shares(COUNTS[:, ::-1]).mean == pytest.approx(found, rel=1e-13)
    assert shares(COUNTS[::-1]).mean == pytest.approx(found[::-1], rel=1e-13)
    assert shares(np.hstack([COUNTS, np.zeros((4, 1), dtype=int)])).mean == pytest.approx(found, rel=1e-13)


def test_thousands_of_returns_of_a_register_beside_small_studies() -> None:
    """The register's own shares, almost; and what the small studies bring in by brute force over tau of two causes."""
    found = shares([[3100, 12], [900, 7]])
    assert found.mean.sum() == pytest.approx(1, abs=1e-10)
    tau, theta = (np.arange(900) + 0.5) / 150, (np.arange(900) + 0.5) / 900
    s = 4 / tau[:, None] ** 2
    log = -0.5 * tau[:, None] ** 2 - 0.5 * np.log(theta * (1 - theta))
    for first, second in ((3100, 900), (12, 7)):
        log = log + special.betaln(s * theta + first, s * (1 - theta) + second)
        log = log - special.betaln(s * theta, s * (1 - theta))
    weight = np.exp(log - log.max())
    assert found.mean[0] == pytest.approx(float((weight * theta).sum() / weight.sum()), abs=1e-5)


def test_many_returns_settle() -> None:
    random = np.random.default_rng(7)
    counts = random.multinomial(40, np.full(10, 0.1), size=15).T
    found = shares(counts)
    assert found.error < 1e-6  # of the halved rule; the full one is right to its square
    assert found.mean.sum() == pytest.approx(1, abs=1e-12)


def test_marginal_is_the_probability_of_the_data() -> None:
    # All ways in which three returns of one study fall to two causes have probability 1 together.
    total = sum(special.comb(3, x) * np.exp(float(shares([[x], [3 - x]]).log_marginal)) for x in range(4))
    assert total == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("counts", [[[1, 2]], [[1.5, 2], [0, 1]], [[-1, 2], [0, 1]]])
def test_bad_counts_are_refused(counts: list[list[float]]) -> None:
    with pytest.raises(ValueError, match=r"causes|whole"):
        shares(counts)
