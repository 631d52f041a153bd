"""pool against the certified answers: 100 data sets, all estimators and intervals.

Sources of the formulas: the papers named in tests/reference/oracle. Source of the values:
tests/reference/generate.py (topics pooling_published, pooling_draws, pooling_hard). Closed forms must have 12 digits,
iterated figures 9 (agreement.py says why and how digits are counted).
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified

from metakit.models.pool import pool

CLOSED_ESTIMATORS = (
    "dersimonian_laird",
    "dersimonian_laird_two_step",
    "hedges_olkin",
    "hedges_olkin_two_step",
    "sidik_jonkman",
    "hunter_schmidt",
)
ESTIMATORS = (*CLOSED_ESTIMATORS, "paule_mandel", "empirical_bayes", "reml", "maximum_likelihood")
QUADRATIC_FORM = 9.0  # an integral of a characteristic function, inverted and then solved for tau2
PROBABILITY = 9.0  # a p value of a statistic z loses about z^2 units in the last place

RECORDS = [r for topic in ("pooling_published", "pooling_draws", "pooling_hard") for r in certified(topic)]


def arrays(record: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Return effects and variances as doubles."""
    return np.array([float(x) for x in record["effect"]]), np.array([float(x) for x in record["variance"]])


@cache
def fitted(number: int, tau2: str, interval: str, tau2_interval: str | None = None) -> Any:
    """Fit one record; the tests share the fits."""
    record = RECORDS[number]
    effect, variance = arrays(record)
    return pool(
        effect=effect,
        variance=variance,
        model="random_effects",
        tau2=tau2,
        interval=interval,
        tau2_interval=tau2_interval,
        level=float(record["level"]),
    )


def required_for(record: dict[str, Any], base: float) -> float:
    """Lower the requirement by half a digit where the data reach the program rounded.

    Effects derived from counts are rounded to doubles (relative error 1e-16) while the certified answer used all
    their digits; a quantity that is a difference of larger ones then starts from that error.
    """
    return base if record["doubles"] else base - 0.5


each_record = pytest.mark.parametrize("number", range(len(RECORDS)), ids=[r["name"] for r in RECORDS])


@each_record
def test_common_effect_and_q(number: int) -> None:
    """Closed forms: inverse-variance mean, Q with its p value."""
    record = RECORDS[number]
    effect, variance = arrays(record)
    result = pool(effect=effect, variance=variance, model="common_effect", level=float(record["level"]))
    truth, comparison = record["common_effect"], Comparison(record["name"])
    se = truth["standard_error"]
    comparison.check("estimate", result.estimate, truth["estimate"], CLOSED, se)
    comparison.check("standard error", result.standard_error, se, CLOSED)
    comparison.check_pair("interval", result.interval, truth["interval"], CLOSED, se)
    comparison.check("p value", result.mean.p_value, truth["p_value"], PROBABILITY, 1e-300)
    q = result.heterogeneity.q
    comparison.check("Q", q.value, record["q"]["value"], required_for(record, CLOSED), 1e-3)
    comparison.check("Q df", q.df, record["q"]["df"], CLOSED)
    comparison.check("Q p value", q.p_value, record["q"]["p_value"], PROBABILITY, 1e-300)
    comparison.check(
        "I2", result.heterogeneity.i2, record["i2_from_q"], required_for(record, CLOSED) - 1, 1e-2
    )
    if record["k"] > 2:  # with two studies metakit gives no test-based interval, whatever Q is
        found = result.heterogeneity.i2_interval
        comparison.check_pair("I2 interval", found, record["i2_interval_from_h"], CLOSED - 2, 1e-2)
    comparison.close()


@each_record
def test_estimators(number: int) -> None:
    """Every tau2 estimator, with the mean and its Hartung-Knapp interval."""
    record, comparison = RECORDS[number], Comparison(RECORDS[number]["name"])
    typical = record["typical_variance"]
    for name in ESTIMATORS:
        truth = record["random_effects"][name]
        result = fitted(number, name, "hartung_knapp")
        required = required_for(record, CLOSED) if name in CLOSED_ESTIMATORS else ITERATED
        wald, plain = truth["wald"], truth["hartung_knapp"]
        comparison.check(f"{name} tau2", result.heterogeneity.tau2, truth["tau2"], required, typical)
        comparison.check(
            f"{name} estimate", result.estimate, truth["estimate"], required, wald["standard_error"]
        )
        comparison.check(
            f"{name} Hartung-Knapp standard error",
            result.standard_error,
            plain["standard_error"],
            min(required, ITERATED + 2),
            float(wald["standard_error"]) * 1e-3,
        )
        comparison.check_pair(
            f"{name} Hartung-Knapp interval",
            result.interval,
            plain["interval"],
            min(required, ITERATED + 2),
            wald["standard_error"],
        )
        if float(truth["tau2"]) > 0:
            assert not result.truncated, name
        elif name != "sidik_jonkman" and record["name"] != "Q exactly k - 1":
            # Sidik-Jonkman is zero only for equal effects and never negative; Q = k - 1 gives zero untouched
            assert result.truncated, name
        assert result.converged
    comparison.close()


@each_record
@pytest.mark.parametrize("tau2", ["dersimonian_laird", "reml"])
def test_intervals_for_the_mean(number: int, tau2: str) -> None:
    """Wald, t, plain and floored Hartung-Knapp."""
    record, comparison = RECORDS[number], Comparison(RECORDS[number]["name"])
    required = min(required_for(record, CLOSED), ITERATED if tau2 == "reml" else CLOSED)
    truth = record["random_effects"][tau2]
    wald_error = truth["wald"]["standard_error"]
    for method in ("wald", "t", "hartung_knapp", "hartung_knapp_floor"):
        result = fitted(number, tau2, method)
        expected = truth[method]
        comparison.check(
            f"{method} standard error",
            result.standard_error,
            expected["standard_error"],
            min(required, 11),
            float(wald_error) * 1e-3,
        )
        comparison.check_pair(
            f"{method} interval", result.interval, expected["interval"], required, wald_error
        )
        if expected.get("p_value") is not None:
            comparison.check(
                f"{method} p value", result.mean.p_value, expected["p_value"], PROBABILITY - 1, 1e-6
            )
    comparison.close()


@each_record
def test_prediction_intervals(number: int) -> None:
    """Higgins, Thompson & Spiegelhalter 2009 (k - 2 df) and the Hartung-Knapp form (k - 1 df); from three studies on."""
    record, comparison = RECORDS[number], Comparison(RECORDS[number]["name"])
    if record["k"] < 3:
        return
    effect, variance = arrays(record)
    truth = record["random_effects"]["reml"]
    for method, interval, name, df in (
        ("higgins_thompson_spiegelhalter", "wald", "wald_k_minus_2", record["k"] - 2),
        ("hartung_knapp", "hartung_knapp", "hartung_knapp_k_minus_1", record["k"] - 1),
    ):
        result = pool(
            effect=effect,
            variance=variance,
            tau2="reml",
            interval=interval,
            prediction=method,
            level=float(record["level"]),
        )
        assert result.prediction.df == df
        comparison.check_pair(
            method,
            result.prediction.interval,
            truth["prediction"][name],
            ITERATED,
            truth["wald"]["standard_error"],
        )
    comparison.close()


@each_record
def test_profile_likelihood_interval(number: int) -> None:
    """Hardy & Thompson 1996: the whole region, also where the profile has several peaks."""
    record = RECORDS[number]
    result = fitted(number, "maximum_likelihood", "profile_likelihood")
    comparison = Comparison(record["name"])
    scale = record["random_effects"]["maximum_likelihood"]["wald"]["standard_error"]
    comparison.check_pair(
        "interval", result.interval, record["profile_likelihood"]["interval"], ITERATED, scale
    )
    comparison.close()


@each_record
def test_henmi_copas_interval(number: int) -> None:
    """Henmi & Copas 2010: common-effect mean; an integral, solved for its limit."""
    record = RECORDS[number]
    result = fitted(number, "dersimonian_laird", "henmi_copas")
    comparison = Comparison(record["name"])
    scale = record["random_effects"]["dersimonian_laird"]["wald"]["standard_error"]
    comparison.check_pair("interval", result.interval, record["henmi_copas"]["interval"], ITERATED, scale)
    comparison.close()


@each_record
def test_q_profile(number: int) -> None:
    """Viechtbauer 2007, and I2 from the same limits."""
    record = RECORDS[number]
    het = fitted(number, "reml", "wald", "q_profile").heterogeneity
    comparison = Comparison(record["name"])
    typical = record["typical_variance"]
    comparison.check_pair("tau2", het.tau2_interval, record["tau2_intervals"]["q_profile"], ITERATED, typical)
    comparison.check_pair("I2", het.i2_interval, record["i2_interval_q_profile"], ITERATED, 1e-3)
    comparison.check("I2", het.i2, record["random_effects"]["reml"]["i2"], ITERATED, 1e-3)
    comparison.close()


@each_record
def test_generalised_q(number: int) -> None:
    """Jackson 2013, with the weights that he recommends when nothing is known beforehand: 1 / standard error."""
    record = RECORDS[number]
    het = fitted(number, "dersimonian_laird", "wald", "generalised_q").heterogeneity
    comparison = Comparison(record["name"])
    truth = record["tau2_intervals"]["generalised_q_inverse_standard_error"]
    comparison.check_pair("tau2", het.tau2_interval, truth, QUADRATIC_FORM, record["typical_variance"])
    comparison.close()


@each_record
def test_profile_likelihood_for_tau2(number: int) -> None:
    """Hardy & Thompson 1996; Viechtbauer 2007."""
    record = RECORDS[number]
    het = fitted(number, "maximum_likelihood", "wald", "profile_likelihood").heterogeneity
    comparison = Comparison(record["name"])
    truth = record["tau2_intervals"]["profile_likelihood"]
    comparison.check_pair("tau2", het.tau2_interval, truth, ITERATED, record["typical_variance"])
    comparison.close()


def test_floor_check_value() -> None:
    """Source: the project's methods paper, section 2: half-widths 0.023 plain, 0.250 Wald, 0.548 floored."""
    number = next(i for i, r in enumerate(RECORDS) if r["name"] == "three near-equal effects")
    for method, half_width in (("hartung_knapp", 0.023), ("wald", 0.250), ("hartung_knapp_floor", 0.548)):
        lower, upper = fitted(number, "reml", method).interval
        assert (upper - lower) / 2 == pytest.approx(half_width, abs=5e-4)


def test_two_maxima_take_the_higher() -> None:
    """The certified estimate is the higher of two local maxima, both of which are on file."""
    for kind, name in (
        ("reml", "two maxima of the restricted likelihood"),
        ("maximum_likelihood", "two maxima of the likelihood"),
    ):
        number = next(i for i, r in enumerate(RECORDS) if r["name"] == name)
        maxima = [float(x) for x in RECORDS[number]["likelihood_maxima"][kind]]
        assert len(maxima) == 2
        found = fitted(number, kind, "wald").heterogeneity.tau2
        assert math.isclose(found, maxima[0], rel_tol=1e-9)
        assert not math.isclose(found, maxima[1], rel_tol=1e-3)
