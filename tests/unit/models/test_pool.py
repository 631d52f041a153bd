"""`pool`: which model is chosen and why, few studies, zero cells, safeguards, refusals."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.meta_analysis import combine_effects

from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.results import RandomEffectsResult, SingleStudyResult
from metakit.errors import DataError, NotEstimableError, UnknownNameError, UsageError
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from tests.outside_library import met_paule_mandel

Y, V = [0.30, 0.31, 0.29], [0.04, 0.05, 0.06]


def counts(*rows: tuple[int, int, int, int], measure: str = "odds_ratio", **options):
    a, n1, c, n2 = (list(column) for column in zip(*rows, strict=True))
    names = [f"s{n}" for n in range(len(rows))]
    columns = {"study": names, "events_1": a, "total_1": n1, "events_2": c, "total_2": n2}
    return effect_sizes(columns, measure=measure, rows_differ=True, **options)


def half_width(result) -> float:
    return (result.interval.upper - result.interval.lower) / 2


# Check value of the floor (Rover 2015, arithmetic run when the project was planned): 0.023 plain, 0.250 Wald,
# 0.548 floored.
def test_floor_check_value() -> None:
    methods = ("hartung_knapp", "wald", "hartung_knapp_floor")
    found = {name: half_width(pool(effect=Y, variance=V, interval=name)) for name in methods}
    assert found["hartung_knapp"] == pytest.approx(0.023, abs=5e-4)
    assert found["wald"] == pytest.approx(0.250, abs=5e-4)
    assert found["hartung_knapp_floor"] == pytest.approx(0.548, abs=5e-4)


def test_random_effects_are_reml_with_floored_interval_and_the_others_beside() -> None:
    result = pool(effect=Y, variance=V, model="random_effects")
    assert isinstance(result, RandomEffectsResult)
    assert result.tau2_estimator == "reml"
    assert result.mean.method == "hartung_knapp_floor"
    assert {other.method for other in result.other_intervals} == {"hartung_knapp", "wald"}
    assert any("Floor active" in note for note in result.notes)
    assert result.prediction is not None
    assert result.prediction.df == 2  # of its interval
    assert any("degree" in note and "prediction" in note.lower() for note in result.notes)


def test_one_study_is_shown_and_nothing_pooled() -> None:
    result = pool(effect=[0.5], variance=[0.04], study=["alone"])
    assert isinstance(result, SingleStudyResult)
    assert result.estimate == 0.5
    assert result.interval == pytest.approx((0.5 - 1.959964 * 0.2, 0.5 + 1.959964 * 0.2), abs=1e-6)
    assert result.heterogeneity.tau2 is None
    with pytest.raises(UnknownNameError, match="reml"):
        pool(effect=[0.5], variance=[0.04], tau2="remle")


def test_two_studies_are_answered_like_any_other_number() -> None:
    """Friede 2017: with two studies the half-normal prior gives an interval between common effect and t(1)."""
    result = pool(effect=[0.1, 0.5], variance=[0.04, 0.05])
    assert isinstance(result, HalfNormalResult)
    beside = {item.name: item.interval for item in result.beside}
    assert beside["hartung_knapp"].lower < result.interval.lower < beside["common_effect"].lower
    assert beside["hartung_knapp"].upper > result.interval.upper > beside["common_effect"].upper
    with pytest.raises(NotEstimableError, match="two studies have no headline"):
        pool(effect=[0.1, 0.5], variance=[0.04, 0.05], inference="hartung_knapp")
    asked = pool(effect=[0.1, 0.5], variance=[0.04, 0.05], model="random_effects")
    assert isinstance(asked, RandomEffectsResult)
    assert asked.prediction is None


@pytest.mark.lengthy
def test_the_inference_answers_and_a_zero_cell_does_not_change_it() -> None:
    without_zero = pool(counts((4, 40, 7, 41), (3, 30, 5, 29), (8, 60, 9, 62)))
    with_zero = pool(counts((0, 40, 7, 41), (3, 30, 5, 29), (8, 60, 9, 62)))
    single = pool(
        effect_sizes({"study": list("abc"), "events": [0, 3, 4], "total": [30, 40, 50]}, measure="proportion")
    )
    rate = pool(
        effect_sizes({"study": list("abc"), "events": [0, 3, 4], "time": [30.0, 40, 50]}, measure="rate")
    )
    for result in (without_zero, with_zero, single, rate):
        assert (result.model, result.inference) == ("half_normal", "half_normal")
        assert any("half-normal" in note for note in result.notes), result.notes
    assert without_zero.likelihood == with_zero.likelihood
    assert (single.likelihood, rate.likelihood) == ("binomial", "poisson")


def test_double_zero_studies_are_named_and_stay_in_for_the_risk_difference() -> None:
    rows = ((0, 40, 0, 41), (3, 30, 5, 29), (8, 60, 9, 62), (2, 25, 6, 24))
    ratio = pool(counts(*rows), model="random_effects")
    assert [item.study for item in ratio.set_aside] == ["s0"]
    assert ratio.k == 3
    difference = pool(counts(*rows, measure="risk_difference"), model="random_effects")
    assert difference.k == 4


@pytest.mark.parametrize(
    "rows",
    [
        ((0, 40, 0, 41), (0, 30, 0, 29), (0, 9, 0, 8)),
        ((40, 40, 41, 41), (30, 30, 29, 29)),
    ],
    ids=["no event anywhere", "nothing but events"],
)
@pytest.mark.parametrize("model", [None, "random_effects", "mantel_haenszel", "peto"])
def test_all_or_nothing_is_a_sentence_that_names_the_studies(rows, model) -> None:
    measure = "peto_odds_ratio" if model == "peto" else "odds_ratio"
    with pytest.raises(NotEstimableError) as caught:
        pool(counts(*rows, measure=measure), model=model)
    assert "s0" in str(caught.value)


def test_events_in_one_arm_only_give_no_ratio_by_mantel_haenszel() -> None:
    table = counts((0, 40, 5, 41), (0, 30, 3, 29), (0, 25, 2, 26))
    with pytest.raises(NotEstimableError, match=r"risk difference|risk_difference"):
        pool(table, model="mantel_haenszel")


# Independent implementation: statsmodels StratifiedTable (pooled odds ratio, Robins-Breslow-Greenland
# error; pooled risk ratio).
@pytest.mark.parametrize("zero", [False, True])
def test_mantel_haenszel_against_statsmodels(zero: bool) -> None:
    rows = ((0 if zero else 4, 40, 7, 41), (3, 30, 5, 29), (8, 60, 9, 62))
    tables = [np.array([[a, n1 - a], [c, n2 - c]], dtype=float) for a, n1, c, n2 in rows]
    theirs = StratifiedTable(tables, shift_zeros=False)
    ours = pool(counts(*rows), model="mantel_haenszel")
    assert ours.estimate == pytest.approx(theirs.logodds_pooled, rel=1e-12)
    assert ours.standard_error == pytest.approx(theirs.logodds_pooled_se, rel=1e-12)
    risk = pool(counts(*rows, measure="risk_ratio"), model="mantel_haenszel")
    assert math.exp(risk.estimate) == pytest.approx(theirs.riskratio_pooled, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-3, 3), st.floats(0.01, 2)), min_size=3, max_size=12),
    st.sampled_from(["dersimonian_laird", "paule_mandel"]),
)
def test_random_effects_against_statsmodels(studies, tau2) -> None:
    y, v = (np.array(column) for column in zip(*studies, strict=True))
    ours = pool(effect=y, variance=v, model="random_effects", tau2=tau2, interval="wald")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs takes roots of negative tau2
        theirs = combine_effects(
            y,
            v,
            method_re={"dersimonian_laird": "chi2", "paule_mandel": "iterated"}[tau2],
            **({"atol": 1e-12, "maxiter": 500} if tau2 == "paule_mandel" else {}),
        )
    assert ours.heterogeneity.q is not None
    assert ours.heterogeneity.q.value == pytest.approx(theirs.q, rel=1e-9, abs=1e-10)
    # statsmodels does not cut DerSimonian and Laird's estimate off at zero
    expected = max(theirs.tau2, 0.0)
    if tau2 == "dersimonian_laird" or met_paule_mandel(y, v, theirs.tau2):
        tolerance = 1e-9 if tau2 == "dersimonian_laird" else 1e-6
        assert ours.heterogeneity.tau2 == pytest.approx(expected, rel=tolerance, abs=1e-9)
        assert ours.truncated == (theirs.tau2 <= 0)
    if tau2 == "dersimonian_laird" and theirs.tau2 > 0:
        assert ours.estimate == pytest.approx(theirs.mean_effect_re, rel=1e-8, abs=1e-10)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 20), st.integers(25, 60), st.integers(1, 20), st.integers(25, 60)),
        min_size=3,
        max_size=6,
    )
)
def test_swapping_the_arms_turns_the_sign(rows) -> None:
    turned = [(c, n2, a, n1) for a, n1, c, n2 in rows]
    for model in ("random_effects", "mantel_haenszel"):
        one, two = pool(counts(*rows), model=model), pool(counts(*turned), model=model)
        assert one.estimate == pytest.approx(-two.estimate, rel=1e-9, abs=1e-12)
        assert one.standard_error == pytest.approx(two.standard_error, rel=1e-9)


def test_empirical_bayes_equals_paule_mandel() -> None:
    y, v = [0.1, 0.9, -0.4, 0.3], [0.04, 0.05, 0.06, 0.3]
    one = pool(effect=y, variance=v, tau2="empirical_bayes").heterogeneity.tau2
    assert one == pytest.approx(pool(effect=y, variance=v, tau2="paule_mandel").heterogeneity.tau2, rel=1e-10)


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({"effect": [0.1, math.nan], "variance": [0.1, 0.1], "study": ["a", "b"]}, DataError, "b"),
        ({"effect": [0.1, 0.2], "variance": [0.1, 0.0], "study": ["a", "b"]}, DataError, "b"),
        ({"effect": [0.1, 0.2], "variance": [0.1, -1.0]}, DataError, "study 2"),
        ({"effect": [0.1, 0.2], "variance": [0.1]}, (DataError, UsageError), "variance"),
        ({"effect": [0.1, 0.2, 0.3], "variance": [0.1, 0.1, 0.1], "model": "random_effect"},
        UnknownNameError, "random_effects"), ({"effect": [0.1, 0.2, 0.3], "variance": [0.1, 0.1, 0.1],
        "interval": "hksj"}, UnknownNameError, "hartung_knapp"), ({"effect": [0.1, 0.2, 0.3], "variance":
        [0.1, 0.1, 0.1], "level": 95}, UsageError, "level"), ({"effect": [0.1, 0.2, 0.3], "variance":
        [0.1, 0.1, 0.1], "model": "mantel_haenszel"}, UsageError, "odds_ratio"), ({"effect": [],
        "variance": []}, (NotEstimableError, DataError), "stud"),
    ],
)  # fmt: skip
def test_refusals_say_what_is_allowed(options, error, words) -> None:
    with pytest.raises(error) as caught:
        pool(**options)
    assert words in str(caught.value)


def restricted_log_likelihood(y: np.ndarray, v: np.ndarray, tau2: float) -> float:
    """Written out from its definition, independently of the engine."""
    weight = 1 / (v + tau2)
    mean = np.sum(weight * y) / np.sum(weight)
    return -0.5 * float(np.sum(np.log(v + tau2)) + np.log(np.sum(weight)) + np.sum(weight * (y - mean) ** 2))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(-3, 3), st.floats(0.001, 3)), min_size=2, max_size=14))
def test_reml_is_a_maximum_and_never_warns(studies) -> None:
    y, v = (np.array(column) for column in zip(*studies, strict=True))
    tau2 = pool(effect=y, variance=v, model="random_effects", tau2="reml", interval="wald").heterogeneity.tau2
    assert tau2 is not None
    top = restricted_log_likelihood(y, v, tau2)
    for other in (0.0, 0.5 * tau2, 0.99 * tau2, 1.01 * tau2, 2 * tau2, tau2 + 1e-3, tau2 + 1.0):
        assert restricted_log_likelihood(y, v, other) <= top + 1e-8


def test_effective_numbers_are_taken_where_the_likelihood_takes_them() -> None:
    table = {
        "study": list("ABCDEF"),
        "events_1": [0, 1.5, 2, 3, 0, 4],
        "total_1": [20, 31.5, 40, 38, 25, 44],
        "events_2": [2, 3, 1.5, 5, 0, 6],
        "total_2": [22, 30, 41, 39, 24, 45.5],
    }
    effects = effect_sizes(table, measure="risk_ratio", effective_numbers=True)
    assert pool(effects).likelihood == "normal"
    # The non-central hypergeometric distribution is one of whole numbers: the others enter as effects.
    odds = effect_sizes(table, measure="odds_ratio", effective_numbers=True)
    assert pool(odds).likelihood == "normal"
    with pytest.raises(UsageError, match="does not serve"):
        pool(odds, likelihood="conditional_hypergeometric")
