"""Expected events: closed forms against published check values, integration and scipy; simulated counts against both."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from metakit.decision.one_unit.expected import (
    Range,
    count_range,
    counts_about,
    counts_among,
    counts_below,
    expected_in_calendar_year,
    expected_within,
    mixed_risk,
    rate_for_risk,
    risk_within,
    split_risk,
    stratified,
)
from metakit.errors import UsageError

RATES = st.floats(0, 2)
YEARS = st.floats(0.1, 30)


@pytest.mark.parametrize(("rate", "expected"), [(0.024, 6.8), (0.0049, 1.45), (0.0023, 0.69)])
def test_a_cohort_of_sixty_reproduces_the_check_values(rate: float, expected: float) -> None:
    # Rates of revision per 100 thumb-years as pooled in a published systematic review (Ganhewa 2019, J Hand Surg
    # Am 44:728, seen in its abstract); the events of 60 thumbs within 5 years were computed by hand from them.
    decimals = 1 if expected > 5 else 2
    assert round(float(expected_within(60, rate, 5)), decimals) == expected


def test_closed_forms_are_those_of_the_exponential_distribution() -> None:
    rates, years = np.array([0.0, 1e-12, 0.02, 0.5, 3.0]), 4.0
    expected = [0.0 if rate == 0 else stats.expon(scale=1 / rate).cdf(years) for rate in rates]
    assert risk_within(rates, years) == pytest.approx(expected, rel=1e-12)
    assert rate_for_risk(risk_within(rates, years), years) == pytest.approx(rates, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("rate", [0.0, 1e-9, 0.0125, 0.4])
@pytest.mark.parametrize("year", [1, 2, 10])
def test_a_calendar_year_is_the_integral_over_all_earlier_cohorts(rate: float, year: int) -> None:
    found = float(expected_in_calendar_year(120, rate, year))
    numeric, _ = integrate.quad(lambda s: 120 * -np.expm1(-rate * s), year - 1, year, epsabs=1e-13)
    assert found == pytest.approx(numeric, rel=1e-7, abs=1e-12)


def test_calendar_years_rise_to_one_event_a_thumb_and_add_up() -> None:
    # All first events until the end of year n come from cohorts of every age up to n.
    years = np.arange(1, 400)
    found = expected_in_calendar_year(60, 0.024, years)
    assert (np.diff(found) > 0).all()
    assert found[-1] == pytest.approx(60, rel=1e-3)
    total, _ = integrate.quad(lambda age: float(expected_within(60, 0.024, age)), 0, 10)
    assert float(np.sum(found[:10])) == pytest.approx(total, rel=1e-10)


@given(RATES, YEARS, st.floats(1.0001, 3))
def test_more_of_anything_gives_more_events_and_never_more_than_thumbs(
    rate: float, years: float, more: float
) -> None:
    base = float(expected_within(100, rate, years))
    assert 0 <= base <= 100
    assert float(expected_within(100, rate * more, years)) >= base
    assert float(expected_within(100, rate, years * more)) >= base
    assert float(expected_within(100 * more, rate, years)) >= base


@given(st.floats(0, 0.999), st.floats(0.01, 0.99), st.floats(0.02, 50))
def test_a_split_risk_mixes_back_and_keeps_its_ratio(risk: float, share: float, ratio: float) -> None:
    part, rest = split_risk(risk, share, ratio)
    assert float(mixed_risk(part, rest, share)) == pytest.approx(risk, abs=1e-9)
    if 1e-6 < float(rest) < 0.999999 and float(part) < 0.999999:
        assert np.log1p(-part) / np.log1p(-rest) == pytest.approx(ratio, rel=1e-6)


def test_simulated_counts_agree_with_the_negative_binomial_of_scipy() -> None:
    # A Poisson count whose mean is gamma distributed is negative binomial (scipy.stats.nbinom): the mixture that
    # counts after a Jeffreys prior make for thumb-years, before the hazard's curve.
    shape, mean = 8.5, 8.5 * 120 / 640
    random = np.random.default_rng(1)
    means = stats.gamma(shape, scale=120 / 640).ppf(stratified(random, 200_000))
    found = count_range(counts_about(means, random=random), means)
    assert found.mean == pytest.approx(mean, rel=1e-4)
    exact = stats.nbinom(shape, 640 / (640 + 120))
    assert (found.lower, found.median, found.upper) == tuple(exact.ppf([0.025, 0.5, 0.975]))
    nodes = stats.gamma(shape, scale=120 / 640).ppf((np.arange(4000) + 0.5) / 4000)
    below = counts_below(nodes)
    assert below == pytest.approx(exact.cdf(np.arange(len(below))), abs=2e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_simulated_limits_are_those_of_numerical_integration(seed: int) -> None:
    # The rate after Jeffreys' prior, through 1 - exp(-rate t): no closed form, so its quantiles by integration.
    nodes = stats.gamma(8.5, scale=1 / 640).ppf((np.arange(2000) + 0.5) / 2000)
    counts = np.arange(121)
    below = stats.binom(120, risk_within(nodes, 5)[:, None]).cdf(counts).mean(axis=0)
    exact = [float(np.searchsorted(below, share)) for share in (0.025, 0.5, 0.975)]
    random = np.random.default_rng(seed)
    draws = stats.gamma(8.5, scale=1 / 640).ppf(stratified(random, 200_000))
    risks = risk_within(draws, 5)
    found = count_range(counts_among(120, risks, random=random), 120 * risks)
    assert [found.lower, found.median, found.upper] == exact
    # The mean of a gamma's exponential: its moment generating function (scipy has none to compare with).
    assert found.mean == pytest.approx(120 * (1 - (640 / 645) ** 8.5), rel=1e-4)
    assert found.moved <= 1


def test_counts_never_pass_the_thumbs_and_seeds_repeat() -> None:
    risks = np.full(1000, 0.99)
    one, two = (counts_among(100, risks, random=np.random.default_rng(5)) for _ in range(2))
    assert (one == two).all() and one.max() == 100
    assert counts_among(100, np.zeros(50), random=np.random.default_rng(5)).max() == 0
    # A volume that is not whole keeps its mean.
    half = counts_among(0.5, np.full(200_000, 0.3), random=np.random.default_rng(6))
    assert half.mean() == pytest.approx(0.15, abs=0.003)


def test_a_range_is_mean_median_and_limits_of_one_set_of_draws() -> None:
    draws = np.random.default_rng(8).lognormal(size=5000)
    found = Range.of(draws)
    assert (found.mean, found.median) == (draws.mean(), np.median(draws))
    assert [found.lower, found.upper] == np.quantile(draws, [0.025, 0.975]).tolist()
    assert found.times(2).planned == 2 * draws.mean()
    assert Range.of(draws, mean=False).planned == np.median(draws)


def test_strata_are_filled_evenly() -> None:
    found = stratified(np.random.default_rng(3), 1000)
    for half in (found[:500], found[500:]):
        assert np.bincount((half * 500).astype(int)).tolist() == [1] * 500


@pytest.mark.parametrize(
    "call",
    [
        lambda: expected_within(-1, 0.1, 1),
        lambda: expected_within(1, -0.1, 1),
        lambda: expected_within(1, float("nan"), 1),
        lambda: expected_in_calendar_year(60, 0.1, 0.5),
        lambda: split_risk(0.2, 0.0, 2),
        lambda: split_risk(1.0, 0.5, 2),
        lambda: split_risk(0.2, 0.5, 0.0),
    ],
)
def test_absurd_numbers_are_refused_in_words(call) -> None:
    with pytest.raises(UsageError, match=r"must|needed|year 1|share"):
        call()
