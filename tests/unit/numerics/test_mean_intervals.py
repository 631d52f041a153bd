"""Intervals for the mean and for tau2 against their definitions; statsmodels and scipy as outside checks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.stats.meta_analysis import combine_effects

from metakit.numerics import (
    henmi_copas,
    likelihood_intervals,
    mean_intervals,
    tau2,
    tau2_intervals,
)
from metakit.numerics.weights import prepare, weigh

Y = np.array([0.12, 0.85, -0.30, 0.55, 0.40, 1.20])
V = np.array([0.05, 0.10, 0.20, 0.02, 0.07, 0.30])
STUDIES = prepare(Y, V)
TAU2 = float(tau2.dersimonian_laird(STUDIES).tau2)
WEIGHTS = weigh(STUDIES, np.float64(TAU2))


def test_wald_and_hartung_knapp_against_statsmodels() -> None:
    theirs = combine_effects(Y, V, method_re="dl")
    random = theirs.conf_int(use_t=False)[1]
    wald = mean_intervals.wald(STUDIES, WEIGHTS, 0.95)
    assert (wald.lower, wald.upper) == pytest.approx(random, rel=1e-12)
    scaled = combine_effects(Y, V, method_re="dl", use_t=True).conf_int()[3]
    plain = mean_intervals.hartung_knapp(STUDIES, WEIGHTS, 0.95)
    assert (plain.lower, plain.upper) == pytest.approx(scaled, rel=1e-12)


# With equal variances Hartung-Knapp is the ordinary t interval of the effects (Hartung & Knapp 2001): scipy.
def test_hartung_knapp_with_equal_variances_is_the_t_test() -> None:
    studies = prepare(Y, np.full(6, 0.03))
    found = mean_intervals.hartung_knapp(studies, weigh(studies, np.float64(0.2)), 0.9)
    expected = stats.ttest_1samp(Y, 0).confidence_interval(0.9)
    assert (found.lower, found.upper) == pytest.approx(tuple(expected), rel=1e-12)


def test_floor_never_narrows_and_says_what_it_did() -> None:
    close = prepare([0.30, 0.31, 0.29], [0.04, 0.05, 0.06])
    weights = weigh(close, 0.0)
    floored = mean_intervals.hartung_knapp_floor(close, weights, 0.95)
    plain_t = mean_intervals.t(close, weights, 0.95)
    assert (floored.lower, floored.upper) == (plain_t.lower, plain_t.upper)
    assert floored.factor == 1
    assert floored.raw_factor < 0.01
    for studies, weight in ((STUDIES, WEIGHTS), (close, weights)):
        wide = mean_intervals.hartung_knapp_floor(studies, weight, 0.95)
        assert wide.upper >= mean_intervals.wald(studies, weight, 0.95).upper


def test_one_study_leaves_t_intervals_unbounded_and_wald_its_own() -> None:
    alone = prepare([0.4], [0.09])
    weights = weigh(alone, 0.0)
    assert mean_intervals.wald(alone, weights, 0.95).upper == pytest.approx(0.4 + 1.959963984540054 * 0.3)
    for kernel in (mean_intervals.t, mean_intervals.hartung_knapp, mean_intervals.hartung_knapp_floor):
        found = kernel(alone, weights, 0.95)
        assert (found.lower, found.upper) == (-np.inf, np.inf)
        assert not np.isnan(found.standard_error)


def profile_deviance(mean: float) -> float:
    """Minus twice the log-likelihood at a fixed mean, tau2 by scipy's bounded search."""

    def minus(t: float) -> float:
        return float(np.sum(np.log(V + t) + (Y - mean) ** 2 / (V + t)))

    inner = optimize.minimize_scalar(minus, bounds=(0, 10), method="bounded", options={"xatol": 1e-11})
    return min(float(inner.fun), minus(0.0))


def test_profile_likelihood_limits_lie_at_the_chi_squared_height() -> None:
    found = likelihood_intervals.profile_likelihood(STUDIES, WEIGHTS, 0.95)
    top = profile_deviance(float(found.estimate))
    for limit in (found.lower, found.upper):
        assert profile_deviance(float(limit)) - top == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-7)
    assert found.lower < found.estimate < found.upper


def test_profile_likelihood_for_tau2_brackets_the_estimate() -> None:
    found = likelihood_intervals.profile_likelihood_tau2(STUDIES, 0.95)

    def deviance(t: float) -> float:
        w = 1 / (V + t)
        mean = np.sum(w * Y) / w.sum()
        return float(np.sum(np.log(V + t) + w * (Y - mean) ** 2))

    best = min(deviance(t) for t in np.linspace(0, 2, 20001))
    assert found.converged
    assert deviance(float(found.upper)) - best == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-6)
    if found.lower > 0:
        assert deviance(float(found.lower)) - best == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-6)
    else:
        assert deviance(0.0) - best <= stats.chi2.ppf(0.95, 1)


def test_q_profile_meets_its_quantiles() -> None:
    found = tau2_intervals.q_profile(STUDIES, 0.9)
    q = [float(weigh(STUDIES, np.float64(limit)).squares()) for limit in (found.lower, found.upper)]
    upper_tail = stats.chi2.sf(q[1], 5)
    assert upper_tail == pytest.approx(0.95, rel=1e-10)
    assert q[0] == pytest.approx(stats.chi2.ppf(0.95, 5), rel=1e-10) or found.lower == 0


# With equal variances Q-profile and generalised Q are the classical chi-squared interval for a variance.
@pytest.mark.parametrize("kernel", [tau2_intervals.q_profile, tau2_intervals.generalised_q])
def test_equal_variances_give_the_classical_interval_for_a_variance(kernel) -> None:
    y, v = 2.0 * Y, 0.01
    found = kernel(prepare(y, np.full(6, v)), 0.95)
    squares = 5 * np.var(y, ddof=1)
    assert float(found.lower) == pytest.approx(squares / stats.chi2.ppf(0.975, 5) - v, rel=1e-9)
    assert float(found.upper) == pytest.approx(squares / stats.chi2.ppf(0.025, 5) - v, rel=1e-9)


@pytest.mark.parametrize("kernel", [tau2_intervals.q_profile, tau2_intervals.generalised_q])
def test_effects_that_agree_too_well_leave_no_tau2(kernel) -> None:
    found = kernel(prepare([0.30, 0.31, 0.29], [0.04, 0.05, 0.06]), 0.95)
    assert (float(found.lower), float(found.upper)) == (0, 0)
    assert found.empty
    alone = kernel(prepare([0.3], [0.04]), 0.95)
    assert (float(alone.lower), float(alone.upper)) == (0, np.inf)


def test_generalised_q_has_the_tails_it_promises() -> None:
    """Simulate the statistic at both limits (seeded; 200,000 draws, standard error 0.0004)."""
    found = tau2_intervals.generalised_q(STUDIES, 0.95)
    a = V**-0.5
    rng = np.random.default_rng(7)

    def statistic(y: np.ndarray) -> np.ndarray:
        mean = (y * a).sum(axis=-1) / a.sum()
        return (a * (y - mean[..., None]) ** 2).sum(axis=-1)

    observed = statistic(Y)
    tails = [(found.upper, np.less_equal)] + ([(found.lower, np.greater_equal)] if found.lower > 0 else [])
    for limit, beyond in tails:
        draws = statistic(rng.normal(size=(200_000, 6)) * np.sqrt(V + float(limit)))
        assert np.mean(beyond(draws, observed)) == pytest.approx(0.025, abs=0.0015)


# Common variance: all weights equal, so the mean is the plain mean whatever tau2 is, and the pivot is the
# mean over the root of max(v, variance of the effects): its tail is simulated here.
def test_henmi_copas_tail_by_simulation() -> None:
    rng = np.random.default_rng(3)
    v, between, k = 0.1, 0.15, 6
    raw = rng.normal(size=k)
    y = (
        (raw - raw.mean()) / raw.std(ddof=1) * np.sqrt(v + between)
    )  # DerSimonian-Laird gives exactly `between`
    found = henmi_copas.henmi_copas(prepare(y, np.full(k, v)), WEIGHTS, 0.95)
    draws = rng.normal(size=(400_000, k)) * np.sqrt(v + between)
    estimated = np.maximum(draws.var(axis=1, ddof=1), v)
    quantile = np.quantile(np.abs(draws.mean(axis=1)) / np.sqrt(estimated / k), 0.95)
    half = float(found.upper - found.estimate)
    assert half == pytest.approx(quantile * np.sqrt((v + between) / k), rel=0.01)
    assert found.estimate == pytest.approx(0.0, abs=1e-12)


def test_henmi_copas_of_one_study_is_unbounded() -> None:
    found = henmi_copas.henmi_copas(prepare([0.3], [0.1]), WEIGHTS, 0.95)
    assert (float(found.lower), float(found.upper)) == (-np.inf, np.inf)
    assert found.converged


@pytest.mark.parametrize(
    ("kernel", "normal", "factor"),
    [
        # studies as alike as here: Q over k - 1 lies below 1
        (mean_intervals.wald, True, "one"),
        (mean_intervals.t, False, "one"),
        (mean_intervals.hartung_knapp, False, "raw"),
        (mean_intervals.hartung_knapp_floor, False, "one"),
    ],
)
def test_each_interval_by_hand_where_a_floor_would_show(kernel, normal: bool, factor: str) -> None:
    y, v = np.array([0.30, 0.36, 0.24]), np.array([0.04, 0.05, 0.06])
    weight = 1 / v
    mean = (weight * y).sum() / weight.sum()
    raw = (weight * (y - mean) ** 2).sum() / 2
    assert raw < 1
    studies = prepare(y, v)
    found = kernel(studies, weigh(studies, 0.0), 0.9)
    used = raw if factor == "raw" else 1.0
    reach = (stats.norm.ppf(0.95) if normal else stats.t.ppf(0.95, 2)) * np.sqrt(used / weight.sum())
    assert (found.lower, found.upper) == pytest.approx((mean - reach, mean + reach), rel=1e-12)
    assert found.factor == pytest.approx(used, rel=1e-12) and bool(found.converged)
    assert found.df == (np.inf if normal else 2)
    apart = prepare(10 * y, v)
    wider = kernel(apart, weigh(apart, 0.0), 0.9)
    assert wider.factor == pytest.approx(
        100 * raw if kernel.__name__.startswith("hartung") else 1.0, rel=1e-9
    )
