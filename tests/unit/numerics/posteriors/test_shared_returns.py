"""The likelihood of counts that share a total: against brute force and a library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special, stats

from metakit.numerics.posteriors.shared_returns import CentreTables, log_poisson_normal

COUNTS = np.array([[3, 0, 8], [1, 4, 0], [0, 1, 2]])


def tables(s: float, counts: np.ndarray = COUNTS) -> CentreTables:
    found = CentreTables(s, counts)
    sizes = counts.sum(axis=0).astype(float)
    found.lay(np.log(sizes), sizes / (1 + s**2 * sizes))
    return found


@pytest.mark.parametrize("s", [0.02, 0.3, 1.0, 2.5])
@pytest.mark.parametrize("y", [0, 1, 7])
def test_poisson_normal_by_quadrature(s: float, y: int) -> None:
    """Source: scipy.integrate.quad, an independent general-purpose library."""
    for x in (-4.0, 0.0, 2.0):
        value = log_poisson_normal(s, np.array([float(y)]), np.array([x]))[0, 0]
        scale = special.gammaln(y + 1)  # h is y! times a Poisson probability

        def integrand(z: float, x: float = x, scale: float = scale) -> float:
            e = x + s * z
            return float(np.exp(y * e - np.exp(e) - scale - z**2 / 2) / np.sqrt(2 * np.pi))

        truth = integrate.quad(integrand, -12, 12, epsabs=0, epsrel=1e-11, limit=400)[0]
        assert value == pytest.approx(np.log(truth) + scale, abs=1e-6 if s <= 1 else 5e-5)


def test_where_centres_do_not_differ_it_is_the_multinomial() -> None:
    """Source: scipy.stats.multinomial, up to n / the product of factorials, which hold no share."""
    found = tables(1e-3)
    log_share = found.rounded(np.log(np.array([[0.5, 0.2], [0.3, 0.3], [0.2, 0.5]])))
    share = np.exp(log_share) / np.exp(log_share).sum(axis=0)
    ours, mean_share = found.likelihood(log_share)
    sizes = COUNTS.sum(axis=0)
    factors = sum(
        special.gammaln(n) - special.gammaln(n + 1) + special.gammaln(y + 1.0).sum()
        for n, y in zip(sizes, COUNTS.T, strict=True)
    )
    for draw in range(2):
        theirs = sum(stats.multinomial.logpmf(y, y.sum(), share[:, draw]) for y in COUNTS.T)
        assert ours[draw] == pytest.approx(theirs + factors, abs=1e-4)
    assert mean_share == pytest.approx(share, abs=1e-5)


@pytest.mark.parametrize("s", [0.4, 1.5])
def test_two_causes_are_a_logistic_model_with_a_normal_effect(s: float) -> None:
    """Two latents of deviation s part by one of s sqrt(2). Source: scipy.integrate.quad."""
    counts = np.array([[3, 0, 6], [1, 4, 6]])
    found = tables(s, counts)
    log_share = found.rounded(np.log(np.array([[0.3], [0.7]])))
    middle = float(log_share[0, 0] - log_share[1, 0])

    def mean(function: object) -> float:
        return integrate.quad(
            lambda z: function(special.expit(middle + s * np.sqrt(2) * z)) * stats.norm.pdf(z), -9, 9
        )[0]

    ours, mean_share = found.likelihood(log_share)
    theirs = sum(
        np.log(mean(lambda p, a=a, b=b: p**a * (1 - p) ** b)) + special.gammaln(a + b) for a, b in counts.T
    )
    assert ours[0] == pytest.approx(theirs, abs=1e-5)
    assert mean_share[0, 0] == pytest.approx(mean(lambda p: p), abs=2e-5)


def test_three_causes_by_a_million_draws() -> None:
    found = tables(0.8)
    log_share = found.rounded(np.log(np.array([[0.6], [0.3], [0.1]])))
    z = np.random.default_rng(2).standard_normal((1_000_000, 3))
    shares = special.softmax(log_share[:, 0] + 0.8 * z, axis=1)
    ours, mean_share = found.likelihood(log_share)
    drawn = [np.exp(np.log(shares) @ y) for y in COUNTS.T]
    theirs = sum(
        np.log(each.mean()) + special.gammaln(y.sum()) for each, y in zip(drawn, COUNTS.T, strict=True)
    )
    error = np.sqrt(sum((each.std() / each.mean()) ** 2 / 1e6 for each in drawn))
    assert abs(ours[0] - theirs) < 5 * error
    assert np.abs(mean_share[:, 0] - shares.mean(axis=0)).max() < 5 * 0.3 / 1000


def test_a_share_of_nearly_nothing_and_a_large_study_are_within_the_tables() -> None:
    counts = np.array([[900, 0], [20, 1], [0, 0]])
    found = tables(2.9, counts)
    log_likelihood, mean_share = found.likelihood(np.log(np.array([[0.9], [0.1], [1e-40]])))
    assert np.isfinite(log_likelihood).all()
    assert mean_share[2, 0] < 1e-9
    assert mean_share.sum() == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("size", [1, 2, 40])
def test_grids_keep_within_the_tables_at_every_spread(size: int) -> None:
    """Steps of u and runs of the table end at whole places: a grid that reached beyond stopped a large review."""
    counts = np.array([[size, 0], [0, size], [0, 0]])
    shares = np.log(np.array([[1 - 1e-9, 1e-300], [1e-9, 0.5], [1e-300, 0.5]]))
    for s in np.linspace(0.001, 3.2, 100):
        log_likelihood, mean_share = tables(s, counts).likelihood(shares)
        assert np.isfinite(log_likelihood).all()
        assert np.isfinite(mean_share).all()
