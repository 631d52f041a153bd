"""Meta-regression, subgroups, influence, small-study tests, trim and fill: published examples, independent routes.

Data: tests/reference/published (sources there). Values marked 'computed' come from another 50-digit program than
the one tested; those of van Houwelingen 2002 (Stat Med 21:589-624) are status: memory.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from metakit.core.effects import EffectTable
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.models.batch import random_effects_batch
from metakit.models.differing.again import Method, growing, without_each
from metakit.models.differing.exploring import explore
from metakit.models.differing.influence import influence
from metakit.models.differing.meta_regression import meta_regression
from metakit.models.differing.residual_tau2 import RESIDUAL_TAU2_ESTIMATORS
from metakit.models.differing.subgroups import subgroups
from metakit.models.small_studies.small_study import SMALL_STUDY_TESTS, small_study_test, suitable_test
from metakit.models.small_studies.trim_and_fill import trim_and_fill
from metakit.numerics import meta_regression as kernel
from tests.reference.agreement import published


def odds_table(name: str, columns: tuple[str, ...] = ()) -> EffectTable:
    example = published(name)
    rows = {
        column: [row[place] for row in example["rows"]] for place, column in enumerate(example["columns"])
    }
    a, n1, c, n2 = (
        np.array(rows[key], dtype=float) for key in ("events_1", "total_1", "events_2", "total_2")
    )
    half = 0.5 * ((a == 0) | (c == 0) | (a == n1) | (c == n2))
    cells = [a + half, n1 - a + half, c + half, n2 - c + half]
    return EffectTable(
        measure="odds_ratio",
        scale="log",
        study=tuple(map(str, rows["study"])),
        effect=np.log(cells[0] * cells[3] / (cells[1] * cells[2])),
        variance=np.sum([1 / cell for cell in cells], axis=0),
        estimable=np.ones(len(a), dtype=bool),
        data={"events_1": a, "total_1": n1, "events_2": c, "total_2": n2},
        moderators={column: tuple(rows[column]) for column in columns},
    )


BCG = odds_table("bcg", ("latitude", "year"))


def with_kind(column: list[object]) -> EffectTable:
    twice = tuple(2.0 * latitude for latitude in BCG.moderators["latitude"])
    return replace(BCG, moderators={**BCG.moderators, "kind": tuple(column), "twice": twice})


# Slope, its standard error and residual tau2 by maximum likelihood: van Houwelingen 2002, status: memory.
def test_bcg_latitude_as_published() -> None:
    found = meta_regression(BCG, ["latitude"], tau2="maximum_likelihood", test="wald")
    intercept, slope = found.coefficients
    assert intercept.estimate == pytest.approx(0.371, abs=5e-4)
    assert intercept.standard_error == pytest.approx(0.106, abs=5e-4)
    assert slope.estimate == pytest.approx(-0.0327, abs=5e-5)
    assert slope.standard_error == pytest.approx(0.0034, abs=5e-5)
    assert found.tau2 == pytest.approx(0.004, abs=5e-4)


# Errors of a named interval by their definitions: Wald's is the root of the model's variance, Knapp & Hartung 2003
# multiply it by residual Q over its degrees of freedom (6 decimals: computed at 50 digits, see the next test).
@pytest.mark.parametrize(
    ("interval", "error", "df"),
    [("wald", 0.006276, math.inf), ("t", 0.006276, 11), ("hartung_knapp", 0.007517, 11)],
)
def test_naming_an_interval_of_an_exploration_computes_exactly_that(
    interval: str, error: float, df: float
) -> None:
    slope = explore(BCG, moderators=["latitude"], interval=interval)["meta_regression"]["coefficients"][1]
    assert slope["standard_error"] == pytest.approx(error, abs=5e-7)
    quantile = stats.norm.ppf(0.975) if math.isinf(df) else stats.t.ppf(0.975, df)
    half = (slope["interval"][1] - slope["interval"][0]) / 2
    assert half == pytest.approx(quantile * slope["standard_error"], rel=1e-12)


def test_a_year_of_publication_is_integrated_as_well_as_a_year_after_the_first() -> None:
    """Far from zero the intercept's variance is millions of times the slope's; the slope must not notice."""
    year = np.array(BCG.moderators["year"], dtype=float)
    near = replace(BCG, moderators={"year": tuple(year - year.mean())})
    far, close = (meta_regression(table, ["year"]).coefficients[1] for table in (BCG, near))
    assert (far.estimate, *far.interval) == pytest.approx((close.estimate, *close.interval), rel=1e-9)


def test_an_interval_that_regressions_lack_is_refused_with_what_there_is() -> None:
    with pytest.raises(UnknownNameError, match="wald"):
        explore(BCG, moderators=["latitude"], interval="profile_likelihood")


# computed at 50 digits; tolerance 9 digits, the one for iterated estimates.
def test_bcg_latitude_reml_and_knapp_hartung() -> None:
    wald = meta_regression(BCG, ["latitude"], test="wald")
    assert wald.coefficients[1].standard_error == pytest.approx(0.006275800018416898, rel=1e-9)
    assert wald.coefficients[1].p_value == pytest.approx(5.043075550435855e-07, rel=1e-8)
    assert wald.q_residual.value == pytest.approx(25.095417666356013, rel=1e-12)
    assert wald.r2 == pytest.approx(0.8506890177776201, rel=1e-9)
    knapp = meta_regression(BCG, ["latitude"], tau2="reml")
    assert knapp.coefficients[1].standard_error == pytest.approx(0.007517037192266669, rel=1e-9)
    assert knapp.coefficients[1].p_value == pytest.approx(0.0014982152104830821, rel=1e-8)
    assert knapp.coefficients[1].interval.lower == pytest.approx(-0.048078690764188504, rel=1e-9)
    assert knapp.omnibus.value == pytest.approx(knapp.coefficients[1].statistic ** 2)
    both = meta_regression(BCG, ["latitude", "year"], tau2="reml")
    assert both.coefficients[2].estimate == pytest.approx(0.0054558024739433785, rel=1e-7)
    assert both.tau2 == pytest.approx(0.09133613229517244, rel=1e-8)
    assert any("Caution" in note for note in both.notes)


@pytest.mark.parametrize("tau2", [0.0, 0.3])
def test_weighted_regression_agrees_with_statsmodels_to_nine_digits(tau2: float) -> None:
    x = np.column_stack((np.ones(13), BCG.moderators["latitude"], BCG.moderators["year"]))
    weight = 1 / (BCG.variance + tau2)
    theirs = sm.WLS(BCG.effect, x, weights=weight).fit()
    ours = kernel.regress(BCG.effect, weight, x)
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-9)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse / math.sqrt(theirs.scale), rel=1e-9)
    assert float(ours.q) == pytest.approx(theirs.ssr, rel=1e-9)


@pytest.mark.parametrize("name", RESIDUAL_TAU2_ESTIMATORS.names())
def test_without_moderators_it_is_the_pooling_engine(name: str) -> None:
    found = RESIDUAL_TAU2_ESTIMATORS[name].kernel(BCG.effect, BCG.variance, np.ones((13, 1)))
    pooled = random_effects_batch(BCG.effect, BCG.variance, tau2=name, interval="wald", prediction=None)
    assert float(found.tau2) == pytest.approx(float(pooled.tau2.tau2), rel=1e-9)


@pytest.mark.parametrize("name", RESIDUAL_TAU2_ESTIMATORS.names())
def test_a_batch_equals_a_loop(name: str) -> None:
    generator = np.random.default_rng(4)
    y, v = generator.normal(size=(20, 9)), generator.uniform(0.01, 1, (20, 9))
    x = np.stack((np.ones((20, 9)), generator.normal(size=(20, 9))), axis=-1)
    estimate = RESIDUAL_TAU2_ESTIMATORS[name].kernel
    together = estimate(y, v, x).tau2
    alone = [float(estimate(y[n], v[n], x[n]).tau2) for n in range(20)]
    assert together == pytest.approx(alone, rel=1e-11, abs=1e-14)


def test_permutation_p_by_brute_force_for_six_studies() -> None:
    table = BCG.select(np.arange(13) < 6)
    found = meta_regression(table, ["latitude"], tau2="dersimonian_laird", test="wald", permutations=720)
    x = np.array(table.moderators["latitude"], dtype=float)
    w = np.diag(1 / table.variance)

    def statistic(order: tuple[int, ...]) -> float:
        design = np.column_stack((np.ones(6), x[list(order)]))
        start = sm.WLS(table.effect, design, weights=1 / table.variance).fit()
        projection = w - w @ design @ np.linalg.inv(design.T @ w @ design) @ design.T @ w
        tau2 = max(0.0, (start.ssr - 4) / np.trace(projection))
        fit = sm.WLS(table.effect, design, weights=1 / (table.variance + tau2)).fit()
        return abs(fit.params[1] / fit.bse[1] * math.sqrt(fit.scale))

    given = statistic(tuple(range(6)))
    expected = np.mean([statistic(order) >= given * (1 - 1e-9) for order in itertools.permutations(range(6))])
    assert found.coefficients[1].permutation_p == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("column", "names", "sentence"),
    [
        (["a"] * 13, ["kind"], "same in every study"),
        ([1.0] * 13, ["kind"], "in every study"),
        (["a"] * 12 + ["b"], ["kind"], "single study in 'b'"),
        (["a"] * 13, ["latitude", "twice"], "collinear"),
        ([None] * 8 + [1.0, 2.0, 3.0, 4.0, 5.0], ["kind"], "degrees of freedom"),
    ],
)
def test_designs_that_cannot_be_fitted_are_said_in_words(column, names, sentence) -> None:
    with pytest.raises(NotEstimableError, match=sentence):
        meta_regression(with_kind(column), names)


def test_missing_moderators_are_named() -> None:
    found = meta_regression(with_kind([None, *["a", "b"] * 6]), ["kind"])
    assert [(item.study, item.reason) for item in found.set_aside] == [("trial 1", "no value of kind")]
    assert found.k == 12
    with pytest.raises(UnknownNameError, match="latitude"):
        meta_regression(BCG, ["lattitude"])


# computed at 50 digits (log odds ratio)
def test_leave_one_out_and_cumulative_of_bcg() -> None:
    found = without_each(BCG, Method(model="random_effects", tau2="reml"))
    assert found[0].estimate == pytest.approx(-0.7367722143487643, rel=1e-9)
    assert found[6].estimate == pytest.approx(-0.6862592529487315, rel=1e-9)
    assert found[6].tau2 == pytest.approx(0.3202570210105447, rel=1e-9)
    laird = Method(model="random_effects", tau2="dersimonian_laird")
    chain = growing(BCG, list(range(13)), laird)
    assert chain[0].k == 1
    assert chain[0].estimate == pytest.approx(BCG.effect[0])
    assert chain[-1].k == 13
    assert chain[12].estimate == pytest.approx(
        float(random_effects_batch(BCG.effect, BCG.variance, tau2="dersimonian_laird").mean.estimate),
        rel=1e-13,
    )
    with pytest.raises(NotEstimableError, match="trial 2"):
        growing(BCG, [1.0, math.nan, *range(11)], laird)


def test_influence_from_its_definitions_by_refitting() -> None:
    y, v = BCG.effect, BCG.variance

    def pooled(keep: np.ndarray) -> tuple[float, float, float]:
        fit = random_effects_batch(y[keep], v[keep], interval="wald", prediction=None)
        return float(fit.mean.estimate), float(fit.mean.standard_error) ** 2, float(fit.tau2.tau2)

    mean, variance, tau2 = pooled(np.ones(13, dtype=bool))
    found = influence(BCG)
    assert found[6].q_without == pytest.approx(156.79641878918954, rel=1e-10)  # computed at 50 digits
    for place, row in enumerate(found):
        mean_out, variance_out, tau2_out = pooled(np.arange(13) != place)
        error = math.sqrt(v[place] + tau2_out + variance_out)
        assert row.studentised == pytest.approx((y[place] - mean_out) / error, rel=1e-8)
        assert row.cook == pytest.approx((mean - mean_out) ** 2 / variance, rel=1e-7)
        assert row.covariance_ratio == pytest.approx(variance_out / variance, rel=1e-8)
        assert row.hat == pytest.approx(variance / (v[place] + tau2), rel=1e-9)
    assert sum(row.hat for row in found) == pytest.approx(1.0)


def test_subgroup_q_is_the_reduction_of_weighted_squares() -> None:
    table = with_kind(["far" if latitude > 40 else "near" for latitude in BCG.moderators["latitude"]])
    found = subgroups(table, "kind", common_tau2=True, tau2="reml")
    design = np.array([[1.0, latitude > 40] for latitude in BCG.moderators["latitude"]], dtype=float)
    weight = 1 / (BCG.variance + found.levels[0].tau2)
    # At one tau2, Q between groups is what the group column takes off the weighted squares (statsmodels WLS).
    without = sm.WLS(BCG.effect, np.ones(13), weights=weight).fit().ssr
    within = sm.WLS(BCG.effect, design, weights=weight).fit().ssr
    assert found.between.value == pytest.approx(without - within, rel=1e-9)
    assert found.between.p_value == pytest.approx(stats.chi2.sf(without - within, 1), rel=1e-9)
    separate = subgroups(table, "kind", tau2="reml")
    assert sum(level.k for level in separate.levels) == 13
    for level in separate.levels:
        keep = np.array([value == level.level for value in table.moderators["kind"]])
        alone = random_effects_batch(BCG.effect[keep], BCG.variance[keep])
        assert level.estimate == pytest.approx(float(alone.mean.estimate), rel=1e-12)
    with pytest.raises(NotEstimableError, match="nothing to compare"):
        subgroups(with_kind(["x"] * 13), "kind")


# (estimate, standard error, p): computed at 50 digits on the published tables.
@pytest.mark.parametrize(
    ("name", "test", "estimate", "error", "p_value"),
    [
        ("magnesium", "egger", -1.5990853651627936, 0.27643734429516004, 4.728663543381144e-05),
        ("magnesium", "harbord", -1.7525380303720817, 0.3077396326835017, 5.535507583222502e-05),
        ("magnesium", "peters", -115.30573223735081, 29.03912316055265, 0.001393916240309085),
        ("bcg", "egger", -2.3453412420797544, 1.5563490213877378, 0.15999148508426533),
        ("bcg", "harbord", -2.0929915407942365, 1.6657654417806171, 0.23497195212206587),
        ("bcg", "peters", -563.688203913343, 413.7233400207754, 0.20029179228413552),
    ],
)
def test_regression_tests(name: str, test: str, estimate: float, error: float, p_value: float) -> None:
    found = small_study_test(odds_table(name), test, force=True)
    assert (found.estimate, found.standard_error) == pytest.approx((estimate, error), rel=1e-10)
    assert found.p_value == pytest.approx(p_value, rel=1e-8)


def test_rank_correlation_is_exact_and_agrees_with_scipy() -> None:
    found = small_study_test(BCG, "begg", force=True)
    assert found.estimate == pytest.approx(0.02564102564102564, rel=1e-10)  # computed at 50 digits
    weight = 1 / BCG.variance
    deviate = (BCG.effect - np.average(BCG.effect, weights=weight)) / np.sqrt(BCG.variance - 1 / weight.sum())
    exact = stats.kendalltau(deviate, BCG.variance, method="exact").pvalue
    assert found.p_value == pytest.approx(exact, rel=1e-12)
    assert found.statistic == pytest.approx(0.12201777521731262, rel=1e-10)  # computed at 50 digits


def test_tests_are_chosen_by_measure_and_refused_below_ten() -> None:
    assert suitable_test("odds_ratio") == "harbord"
    assert suitable_test("risk_ratio") == "arcsine_with_tau2"
    assert suitable_test("mean_difference") == "egger"
    assert suitable_test("standardized_mean_difference") == "sample_size_regression"
    with pytest.raises(UsageError, match="harbord"):
        small_study_test(BCG, "egger")
    with pytest.raises(NotEstimableError, match="at least 10"):
        small_study_test(BCG.select(np.arange(13) < 9))
    with pytest.raises(NotEstimableError, match="no small-study test suits proportion"):
        suitable_test("proportion")
    assert all(entry.references for entry in SMALL_STUDY_TESTS)


# computed at 50 digits (DerSimonian-Laird centre)
@pytest.mark.parametrize("estimator", ["l0", "r0"])
def test_trim_and_fill_of_magnesium(estimator: str) -> None:
    table = odds_table("magnesium")
    found = trim_and_fill(
        table.effect, table.variance, estimator=estimator, tau2="dersimonian_laird", interval="wald"
    )
    assert (found.side, found.number_missing) == ("right", 7)
    assert found.result.estimate == pytest.approx(-0.3654580426071356, rel=1e-11)
    assert found.result.standard_error == pytest.approx(0.17616508484699075, rel=1e-11)
    common = trim_and_fill(table.effect, table.variance, model="common_effect")
    assert common.number_missing == 8
    assert common.result.estimate == pytest.approx(0.03520584431578322, rel=1e-10)


def test_nothing_to_trim_leaves_the_answer_alone() -> None:
    found = trim_and_fill(BCG.effect, BCG.variance, tau2="dersimonian_laird", interval="wald")
    assert found.number_missing == 0
    assert found.result.k == 13
