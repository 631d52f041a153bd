"""Limits of likelihood against a search by hand over the likelihood written out.

Source: Hardy RJ, Thompson SG 1996, Stat Med 15:619-629: all values whose likelihood, maximised over the rest, lies
within half the chi-squared quantile of the highest.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from metakit.numerics import likelihood_intervals
from metakit.numerics.likelihood_intervals import profile_likelihood, profile_likelihood_tau2
from metakit.numerics.roots import Roots, newton_in_bracket
from metakit.numerics.weights import prepare, weigh

Y = np.array([0.1, 0.9, -0.4, 1.6, 0.3, -0.2])
V = np.array([0.05, 0.1, 0.2, 0.02, 0.4, 0.15])


def profile(tau2: float) -> float:
    weight = 1 / (V + tau2)
    mean = (weight * Y).sum() / weight.sum()
    return float(stats.norm.logpdf(Y, mean, np.sqrt(V + tau2)).sum())


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_spread_lies_where_its_likelihood_is_high_enough(level: float) -> None:
    best = optimize.minimize_scalar(
        lambda t: -profile(t), bounds=(0, 5), method="bounded", options={"xatol": 1e-12}
    )
    floor = -best.fun - stats.chi2.ppf(level, 1) / 2
    upper = optimize.brentq(lambda t: profile(t) - floor, best.x, 50, xtol=1e-12)
    lower = (
        0.0 if profile(0) >= floor else optimize.brentq(lambda t: profile(t) - floor, 0, best.x, xtol=1e-12)
    )
    found = profile_likelihood_tau2(prepare(Y, V), level)
    assert float(np.squeeze(found.upper)) == pytest.approx(upper, rel=1e-7)
    assert float(np.squeeze(found.lower)) == pytest.approx(lower, rel=1e-6, abs=1e-9)


def height(mean: float) -> float:
    """Log-likelihood of a mean, maximised over tau2."""
    found = optimize.minimize_scalar(
        lambda t: -stats.norm.logpdf(Y, mean, np.sqrt(V + t)).sum(), bounds=(0, 20), method="bounded",
        options={"xatol": 1e-13},
    )  # fmt: skip
    return float(max(-found.fun, stats.norm.logpdf(Y, mean, np.sqrt(V)).sum()))


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_mean_lies_where_its_likelihood_is_high_enough(level: float) -> None:
    studies = prepare(Y, V)
    found = profile_likelihood(studies, weigh(studies, 0.0), level)
    best, top = float(np.squeeze(found.estimate)), height(float(np.squeeze(found.estimate)))
    assert top >= max(height(best - 0.01), height(best + 0.01))
    floor = top - stats.chi2.ppf(level, 1) / 2
    for value, side in ((found.lower, -1), (found.upper, 1)):
        expected = optimize.brentq(lambda m: height(m) - floor, best, best + side * 10, xtol=1e-12)
        assert float(np.squeeze(value)) == pytest.approx(expected, rel=1e-6)
    assert np.all(found.converged)


def test_steps_of_the_profile_follow_its_own_slope(monkeypatch: pytest.MonkeyPatch) -> None:
    """The answer would be the same by halving: that the slope is right shows in its own differences alone."""
    slopes = []

    def seen(function, low, high, start):  # type: ignore[no-untyped-def]
        rows = np.arange(len(start))
        for share in (0.3, 0.6):
            at, h = low + share * (high - low), 1e-5
            value = (function(at + h, rows)[0] - function(at - h, rows)[0]) / (2 * h)
            slopes.append((function(at, rows)[1], value))
        return newton_in_bracket(function, low, high, start)

    monkeypatch.setattr(likelihood_intervals, "newton_in_bracket", seen)
    studies = prepare(np.stack([Y, Y[::-1]]), np.stack([V, V]))
    profile_likelihood(studies, weigh(studies, np.zeros(2)), 0.95)
    assert len(slopes) == 4
    for slope, difference in slopes:
        assert np.all(slope < 0) and slope == pytest.approx(difference, rel=1e-4)


@pytest.mark.parametrize("unsettled", [None, 0, 1])
def test_an_interval_of_the_spread_of_which_a_side_did_not_settle_says_so(
    monkeypatch: pytest.MonkeyPatch, unsettled: int | None
) -> None:
    real, calls = likelihood_intervals.root_in_bracket, []

    def unsure(function, low, high):  # type: ignore[no-untyped-def]
        found = real(function, low, high)
        calls.append(len(low))
        return Roots(found.root, found.converged & (len(calls) - 1 != unsettled))

    monkeypatch.setattr(likelihood_intervals, "root_in_bracket", unsure)
    apart = prepare(3 * Y, V)  # so far apart that the lower limit is not zero
    found = profile_likelihood_tau2(apart, 0.95)
    assert len(calls) == 2 and float(np.squeeze(found.lower)) > 0
    assert bool(np.squeeze(found.converged)) == (unsettled is None)


def test_one_study_tells_nothing_of_the_spread() -> None:
    found = profile_likelihood_tau2(prepare([0.3], [0.1]), 0.95)
    assert (float(np.squeeze(found.lower)), float(np.squeeze(found.upper))) == (0.0, np.inf)
    assert np.all(found.converged)
