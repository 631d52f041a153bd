"""Boundaries, information sizes, absolute effects and a unit's events against certified values.

Sources of the methods: Lan & DeMets 1983 and Armitage, McPherson & Rowe 1969; Fleiss, Levin & Paik 2003 (sizes); Cochrane Handbook
14.1.5 and 15.4; Altman 1998. Source of the values: tests/reference/generate.py, topics sequential, absolute, unit_events.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified
from scipy import special, stats

from metakit.decision.absolute import absolute_difference, needed_to_treat
from metakit.decision.information import looks, size_for_means, size_for_risks
from metakit.decision.one_unit.expected import (
    count_range,
    counts_about,
    counts_below,
    expected_in_calendar_year,
    expected_within,
    stratified,
)
from metakit.errors import NotEstimableError
from metakit.measures.absolute import effect_needed, risk_with
from metakit.numerics.sequential import spending, spending_boundaries
from metakit.synthesis.baseline import Baseline
from metakit.synthesis.confidence import ConfidenceDistribution

SEQUENTIAL = certified("sequential")
BOUNDARIES = [
    record
    for record in SEQUENTIAL
    if record.get("spending") == "obrien_fleming" and record["sides"] == "each_side"
]
SIZES = next(record["sizes"] for record in SEQUENTIAL if "sizes" in record)
ABSOLUTE = [record for record in certified("absolute") if "measure" in record]
CHANCES = next(record["chances"] for record in certified("absolute") if "chances" in record)
EVENTS = certified("unit_events")


def quick_and_slow() -> list[Any]:
    """Mark most boundaries of many looks as slow: nothing new but time."""
    return [
        pytest.param(
            record,
            id=f"{len(record['times'])} looks to {record['times'][-1][:4]}, {record['alpha']}",
            marks=[pytest.mark.slow]
            if len(record["times"]) > 3 and (record["alpha"], record["times"][0]) != ("0.05", "0.2")
            else [],
        )
        for record in BOUNDARIES
    ]


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize("record", quick_and_slow())
def test_spending_boundaries(record: dict[str, Any]) -> None:
    """Boundaries of O'Brien-Fleming type at even and uneven looks, and the error spent by then."""
    times = [float(time) for time in record["times"]]
    found = spending_boundaries(times, float(record["alpha"]))
    comparison = Comparison(str(times))
    for i, (limit, spent) in enumerate(zip(record["limits"], record["spent"], strict=True)):
        comparison.check(f"boundary {i + 1}", float(found.boundary[i]), limit, ITERATED)
        # differences of spent error below 1e-12 of alpha say nothing on a decision
        comparison.check(f"spent {i + 1}", float(spending(times, float(record["alpha"]))[i]), spent, CLOSED)
    comparison.close()


@pytest.mark.walk
def test_boundaries_of_the_tables() -> None:
    """Five even looks, two-sided 0.05: Lan & DeMets 1983 and Jennison & Turnbull 2000, from memory."""
    found = spending_boundaries([0.2, 0.4, 0.6, 0.8, 1.0]).boundary
    assert found.round(3).tolist() == [4.877, 3.357, 2.680, 2.290, 2.031]
    assert spending_boundaries([0.5, 1.0]).boundary.round(3).tolist() == [2.963, 1.969]


def test_looks_take_the_certified_boundaries() -> None:
    """Information is ((smallest / error) / (z + z))^2 of what is enough."""
    record = next(item for item in BOUNDARIES if len(item["times"]) == 5 and item["alpha"] == "0.05")
    enough = (special.ndtri(0.975) + special.ndtri(0.8)) / 0.4
    times = np.array([float(time) for time in record["times"]])
    found = looks(
        [f"study {i}" for i in range(5)], [0.3] * 5, (1 / (enough * np.sqrt(times))).tolist(), smallest=0.4
    )
    comparison = Comparison("looks")
    for look, time, limit in zip(found, record["times"], record["limits"], strict=True):
        comparison.check("information", look.information, time, CLOSED)
        comparison.check("boundary", look.boundary, limit, ITERATED)
    comparison.close()


@pytest.mark.parametrize("record", SIZES, ids=lambda r: str(list(r.values())[:4]))
def test_information_sizes(record: dict[str, Any]) -> None:
    """Both arms together, each rounded up; two risks by Fleiss without continuity correction."""
    given = {name: float(record[name]) for name in ("alpha", "power")}
    if "means" in record:
        found, truth = (
            size_for_means(float(record["difference"]), float(record["sd"]), **given),
            record["means"],
        )
    else:
        found, truth = (
            size_for_risks(float(record["risk"]), float(record["baseline"]), **given),
            record["both"],
        )
    assert found == 2 * math.ceil(float(truth) / 2)


def distribution(record: dict[str, Any]) -> ConfidenceDistribution:
    """Return the normal distribution of the effect."""
    error = float(record["standard_error"])
    return ConfidenceDistribution(
        centre=float(record["effect"]),
        scale_below=error,
        scale_above=error,
        df=math.inf,
        basis="confidence distribution",
    )


def baseline(record: dict[str, Any]) -> Baseline:
    """Return the baseline whose logit is normal."""
    value, error = float(record["baseline"]), float(record["baseline_logit_error"])
    pooled = ConfidenceDistribution(
        centre=float(special.logit(value)),
        scale_below=error,
        scale_above=error,
        df=math.inf,
        basis="confidence distribution",
    )
    lower, upper = (float(special.expit(pooled.quantile(share))) for share in (0.025, 0.975))
    return Baseline(
        kind="registry",
        label="invented",
        per_year=False,
        value=value,
        lower=lower,
        upper=upper,
        level=0.95,
        events=10.0,
        total=100.0,
        studies=3,
        pooled=pooled,
    )


@pytest.mark.parametrize("record", ABSOLUTE, ids=lambda r: f"{r['measure']} at {r['baseline']}")
def test_absolute_effects(record: dict[str, Any]) -> None:
    """Risk and difference at a fixed baseline, and the interval under both uncertainties by integration."""
    measure, log_scale = record["measure"], record["measure"] != "risk_difference"
    low, high = (float(limit) for limit in record["fixed"]["risk_interval"])
    fits = low >= 0 and high <= 1
    if measure == "risk_difference" and not fits:
        with pytest.raises(NotEstimableError, match="does not fit"):
            absolute_difference(measure, distribution(record), baseline(record), log_scale=log_scale)
        return
    found = absolute_difference(measure, distribution(record), baseline(record), log_scale=log_scale)
    comparison, fixed = Comparison(measure), record["fixed"]
    if fits:
        start = float(record["baseline"])  # a difference keeps the rounding of the risks it comes from
        comparison.check("risk", found.with_technique, fixed["risk"], CLOSED)
        comparison.check_pair("risk interval", found.with_technique_interval, fixed["risk_interval"], CLOSED)
        comparison.check("difference", found.difference, fixed["difference"], CLOSED, start)
        comparison.check_pair("fixed", found.fixed, fixed["difference_interval"], CLOSED, start)
    else:
        # What leaves 0 to 1 is carried over on another scale, no longer cut there as the reference does.
        assert any("does not fit a baseline" in note for note in found.notes)
        assert 0 <= found.with_technique_interval.lower <= found.with_technique_interval.upper <= 1
    if fits and "exact_difference_interval" in record:
        truth = record["exact_difference_interval"]
        comparison.check_pair("both", found.both, truth, ITERATED, record["baseline"])
    if comparison.checked:
        comparison.close()


@pytest.mark.parametrize("record", ABSOLUTE, ids=lambda r: f"{r['measure']} at {r['baseline']}")
def test_risks_and_back(record: dict[str, Any]) -> None:
    """Closed forms of the risk with the technique, and of the effect for a difference."""
    measure, effect, start = record["measure"], float(record["effect"]), float(record["baseline"])
    natural = effect if measure == "risk_difference" else math.exp(effect)
    comparison = Comparison(measure)
    comparison.check("risk", float(risk_with(measure, natural, start)), record["fixed"]["risk"], CLOSED)
    # a difference of risks near each other has lost digits before it is turned back
    difference = float(record["fixed"]["difference"])
    if float(record["fixed"]["risk"]) < 1:
        back = float(effect_needed(measure, difference, start))
        comparison.check("effect", back, natural, CLOSED - 1)
    comparison.close()


@pytest.mark.parametrize("record", ABSOLUTE, ids=lambda r: f"{r['measure']} at {r['baseline']}")
def test_numbers_needed(record: dict[str, Any]) -> None:
    """1 / |difference|; through infinity when the interval holds zero (Altman 1998)."""
    difference = float(record["fixed"]["difference"])
    low, high = sorted(float(limit) for limit in record["fixed"]["difference_interval"])
    truth = record["number_needed"]
    found = needed_to_treat(difference, low, high)
    comparison = Comparison("number needed")
    comparison.check("number", found.value, truth["number"], CLOSED)
    assert found.benefit == (truth["of"] == "benefit")
    assert found.through_infinity == truth["through_infinity"]
    # the limit on the side of the estimate, farthest from zero, is the best of a benefit
    best, worst = ("lower", "upper") if found.benefit else ("upper", "lower")
    comparison.check("best", found.best, truth[f"at_{best}_difference"], CLOSED)
    comparison.check("worst", found.worst, truth[f"at_{worst}_difference"], CLOSED)
    comparison.close()


@pytest.mark.parametrize("number", range(len(CHANCES)))
def test_chance_beyond_a_threshold(number: int) -> None:
    """1 - F((threshold - estimate) / error), normal or Student's t."""
    record = CHANCES[number]
    error = float(record["standard_error"])
    found = ConfidenceDistribution(
        centre=float(record["estimate"]),
        scale_below=error,
        scale_above=error,
        df=math.inf if record["df"] is None else float(record["df"]),
        basis="confidence distribution",
    )
    below = float(found.below(float(record["threshold"])))
    comparison = Comparison("chance")
    comparison.check("above", 1 - below, record["above"], CLOSED, 1)
    comparison.close()


def means_of(record: dict[str, Any], shares: np.ndarray) -> np.ndarray:
    """Return expected counts at these shares of the rate's predictive distribution."""
    df = math.inf if record["df"] is None else record["df"]
    z = special.ndtri(shares) if math.isinf(df) else stats.t.ppf(shares, df)
    with np.errstate(over="ignore"):
        rate = np.exp(math.log(float(record["rate"])) + float(record["log_scale"]) * z)
        return expected_within(float(record["volume"]), rate, float(record["years"]))


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize(
    "record", EVENTS, ids=lambda r: f"{r['volume']} a year, {r['years']} y, {r['rate']}, df {r['df']}"
)
def test_a_units_events(record: dict[str, Any]) -> None:
    """Closed form 12 digits; the distribution of the count, and the simulated range, against the exact mixture."""
    comparison = Comparison(record["rate"])
    expected = float(expected_within(float(record["volume"]), float(record["rate"]), float(record["years"])))
    comparison.check("expected", expected, record["expected_at_rate"], CLOSED)
    comparison.close()
    # Gauss-Legendre nodes of the shares: 2,000 of them leave less than 1e-5 in the tails of t with 1 df
    nodes, weights = np.polynomial.legendre.leggauss(400)
    cumulative = counts_below(means_of(record, (nodes + 1) / 2), weights / 2)
    truth = np.array([float(item) for item in record["cumulative"]])
    size = min(len(cumulative), len(truth))
    np.testing.assert_allclose(cumulative[:size], truth[:size], atol=2e-5)
    random = np.random.default_rng(20250317)
    means = means_of(record, stratified(random, 20_000))
    # Poisson given the mean, as in a calendar year; the binomial of one year's thumbs is held by unit tests.
    found = count_range(counts_about(means, random=random), means)
    for share, simulated in ((0.025, found.lower), (0.5, found.median), (0.975, found.upper)):
        # the simulated quantile must be one of the exact quantiles within four standard errors of the share
        slack = 4 * math.sqrt(share * (1 - share) / 20_000)
        if simulated >= len(truth):
            assert truth[-1] < share + slack
            continue
        assert truth[int(simulated)] >= share - slack
        assert simulated == 0 or truth[int(simulated) - 1] < share + slack


@pytest.mark.parametrize("df", [1.0, 5.0, math.inf])
@pytest.mark.parametrize("per_year", [True, False])
def test_uneven_and_heavy_tails(per_year: bool, df: float) -> None:
    """Distributions of two halves with t tails, against an average over 100,000 equal shares of the baseline."""
    pooled = ConfidenceDistribution(
        centre=-3.5, scale_below=0.3, scale_above=0.45, df=df, basis="confidence distribution"
    )
    effect = ConfidenceDistribution(
        centre=-0.3, scale_below=0.1, scale_above=0.5, df=df, basis="confidence distribution"
    )
    start = Baseline(
        kind="registry",
        label="invented",
        per_year=per_year,
        value=0.03,
        lower=0.01,
        upper=0.1,
        level=0.95,
        events=3.0,
        total=100.0,
        studies=3,
        pooled=pooled,
    )
    measure = "rate_ratio" if per_year else "odds_ratio"
    found = absolute_difference(measure, effect, start)
    bases = start.quantile((np.arange(100_000) + 0.5) / 100_000)
    for limit, share in ((found.both.lower, 0.025), (found.both.upper, 0.975)):
        with np.errstate(divide="ignore"):
            shares = effect.below(np.log(effect_needed(measure, limit, bases)))
        assert float(np.mean(shares)) == pytest.approx(share, abs=1e-5)


UNIT = certified("unit_closed_forms")


@pytest.mark.parametrize("record", UNIT, ids=lambda r: f"rate {r['rate']}")
def test_closed_forms_of_a_unit(record: dict[str, Any]) -> None:
    """Events of a cohort and of a calendar year, also at rates that are next to nothing."""
    volume, rate = float(record["volume"]), float(record["rate"])
    comparison = Comparison(f"rate {rate}")
    for years, truth in record["within"].items():
        comparison.check(f"{years} years", float(expected_within(volume, rate, float(years))), truth, CLOSED)
    for year, truth in record["calendar_year"].items():
        found = float(expected_in_calendar_year(volume, rate, float(year)))
        comparison.check(f"year {year}", found, truth, CLOSED)
    comparison.close()
