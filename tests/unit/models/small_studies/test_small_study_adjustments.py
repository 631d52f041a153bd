"""PET-PEESE, selection model, limit meta-analysis: against statsmodels WLS, brute-force likelihoods and closed forms.

Data: tests/reference/published (sources there). No published numbers of these three methods are at hand; what they
are held against is computed here by other means (status: computed).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, optimize, stats

from metakit.core.bibliography import REFERENCES
from metakit.core.effects import EffectTable
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.models.differing.exploring import explore, exploring_text
from metakit.models.small_studies.limit_meta_analysis import LimitMetaAnalysis
from metakit.models.small_studies.pet_peese import PetPeese
from metakit.models.small_studies.selection_result import SelectionModel
from metakit.models.small_studies.small_study_adjustments import (
    SMALL_STUDY_ADJUSTMENTS,
    AdjustmentOptions,
    small_study_adjustment,
)
from metakit.numerics.selection_likelihood import log_likelihood, stepped
from metakit.numerics.small_study import limit_fit, precision_regression
from tests.unit.models.differing.test_exploring import BCG, odds_table

MAGNESIUM = odds_table("magnesium")


def table_of(effect: np.ndarray, variance: np.ndarray) -> EffectTable:
    return EffectTable(
        measure="generic",
        scale="identity",
        study=tuple(f"S{n}" for n in range(len(effect))),
        effect=np.asarray(effect, dtype=float),
        variance=np.asarray(variance, dtype=float),
        estimable=np.ones(len(effect), dtype=bool),
    )


def drawn(k: int = 40, seed: int = 5, seen: tuple[float, float] = (1.0, 0.3)) -> EffectTable:
    """Draw studies of which those with p above 0.025 are seen less often."""
    generator = np.random.default_rng(seed)
    effects, variances = [], []
    while len(effects) < k:
        variance = generator.uniform(0.01, 0.25)
        effect = generator.normal(0.2, math.sqrt(variance + 0.04))
        p = stats.norm.sf(effect / math.sqrt(variance))
        if generator.random() < seen[int(p > 0.025)]:
            effects.append(effect)
            variances.append(variance)
    return table_of(np.array(effects), np.array(variances))


@pytest.mark.parametrize("table", [BCG, MAGNESIUM], ids=["bcg", "magnesium"])
def test_both_lines_agree_with_statsmodels_to_nine_digits(table: EffectTable) -> None:
    found = small_study_adjustment(table, "pet_peese")
    assert isinstance(found, PetPeese)
    for line, predictor in ((found.pet, np.sqrt(table.variance)), (found.peese, table.variance)):
        theirs = sm.WLS(table.effect, sm.add_constant(predictor), weights=1 / table.variance).fit()
        assert line.estimate == pytest.approx(theirs.params[0], rel=1e-9)
        assert line.slope == pytest.approx(theirs.params[1], rel=1e-9)
        assert line.standard_error == pytest.approx(theirs.bse[0], rel=1e-9)
        assert line.slope_standard_error == pytest.approx(theirs.bse[1], rel=1e-9)
        assert line.p_value == pytest.approx(theirs.pvalues[0], rel=1e-9)
        assert list(line.interval) == pytest.approx(list(theirs.conf_int()[0]), rel=1e-9)
    side = 1.0 if found.favoured == "higher" else -1.0
    assert side * np.average(table.effect, weights=1 / table.variance) > 0
    one_sided = stats.t.sf(side * found.pet.statistic, found.df)
    assert found.one_sided_p == pytest.approx(one_sided, rel=1e-9)
    assert found.chosen == ("peese" if one_sided < 0.05 else "pet")
    assert found.estimate == (found.peese if found.chosen == "peese" else found.pet).estimate


def test_the_two_examples_choose_differently() -> None:
    chosen = {small_study_adjustment(table, "pet_peese").to_json()["chosen"] for table in (BCG, MAGNESIUM)}
    assert chosen == {"pet", "peese"}


# Stanley & Doucouliagos 2014 (from memory): the test of PET is one-sided, at 5 %, in the favoured direction.
def test_an_intercept_on_the_other_side_keeps_pet() -> None:
    for table, sides in ((MAGNESIUM, ("higher", "lower")), (turned(MAGNESIUM), ("lower", "higher"))):
        found = [
            small_study_adjustment(table, "pet_peese", options=AdjustmentOptions(favoured=side))
            for side in sides
        ]
        assert [(item.to_json()["chosen"], item.to_json()["favoured"]) for item in found] == [
            ("peese", sides[0]), ("pet", sides[1]),
        ]  # fmt: skip
        assert found[0].to_json()["one_sided_p"] + found[1].to_json()["one_sided_p"] == pytest.approx(1)
        assert "that of the mean" not in found[0].notes[0]
    with pytest.raises(UsageError, match="'sideways'"):
        small_study_adjustment(MAGNESIUM, "pet_peese", options=AdjustmentOptions(favoured="sideways"))


def turned(table: EffectTable) -> EffectTable:
    """Return the same studies with the sign of their effects turned."""
    return replace(table, effect=-table.effect)


def brute_log_likelihood(
    y: np.ndarray, v: np.ndarray, cuts: list[float], mean: float, tau2: float, weights: list[float]
) -> float:
    """Another route: the density of what is seen, normalised by numerical integration over the p value's steps."""
    edges = [0.0, *cuts, 1.0]
    total = 0.0
    for effect, variance in zip(y, v, strict=True):
        density = stats.norm(mean, math.sqrt(variance + tau2)).pdf
        spread = math.sqrt(variance + tau2)
        places = [-math.sqrt(variance) * stats.norm.ppf(edge) for edge in edges]  # falling effects
        places[0], places[-1] = mean + 12 * spread, mean - 12 * spread
        seen = 0.0
        for n, weight in enumerate(weights):
            upper, lower = places[n], places[n + 1]
            if upper > lower:
                seen += weight * integrate.quad(density, lower, upper, epsabs=1e-13, epsrel=1e-12)[0]
        p = stats.norm.sf(effect / math.sqrt(variance))
        step = sum(p > cut for cut in cuts)
        total += math.log(weights[step] * density(effect) / seen)
    return total


@pytest.mark.parametrize("weights", [[1.0, 0.4], [1.0, 1.7]])
def test_the_likelihood_agrees_with_numerical_integration(weights: list[float]) -> None:
    table = drawn(12)
    studies = stepped(table.effect, table.variance, np.array([0.025]))
    found, _ = log_likelihood(studies, 0.15, 0.05, np.log(weights))
    expected = brute_log_likelihood(table.effect, table.variance, [0.025], 0.15, 0.05, weights)
    assert found == pytest.approx(expected, rel=1e-9)


def test_slopes_are_those_of_the_likelihood() -> None:
    table = drawn(15)
    studies = stepped(table.effect, table.variance, np.array([0.025, 0.5]))
    at = np.array([0.1, 0.08, 0.0, -0.4, -1.1])
    _, slopes = log_likelihood(studies, at[0], at[1], at[2:])

    def value(parameters: np.ndarray) -> float:
        return log_likelihood(studies, parameters[0], parameters[1], parameters[2:])[0]

    step = 1e-6
    for place in range(5):
        move = step * np.eye(5)[place]
        assert slopes[place] == pytest.approx((value(at + move) - value(at - move)) / (2 * step), rel=1e-6)


@pytest.mark.parametrize("seed", [5, 11])
def test_the_maximum_is_found_by_another_search_too(seed: int) -> None:
    table = drawn(14, seed)
    cuts = [0.025]
    options = AdjustmentOptions(cut_points=(0.025,), favoured="higher")
    found = small_study_adjustment(table, "selection_model", options=options)
    assert isinstance(found, SelectionModel)

    # The same density in closed form over each step, written apart from the kernel; searched without slopes.
    p = stats.norm.sf(table.effect / np.sqrt(table.variance))

    def down(parameters: np.ndarray) -> float:
        mean, tau2, weight = parameters[0], parameters[1] ** 2, math.exp(parameters[2])
        spread = np.sqrt(table.variance + tau2)
        beyond = stats.norm.sf(np.sqrt(table.variance) * stats.norm.isf(cuts[0]), mean, spread)
        logs = stats.norm.logpdf(table.effect, mean, spread) + np.where(p > cuts[0], parameters[2], 0.0)
        return -float(np.sum(logs - np.log(beyond + weight * (1 - beyond))))

    best = min(
        (
            optimize.minimize(
                down, [mean, 0.2, log], method="Nelder-Mead",
                options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 6000, "maxfev": 6000},
            )
            for mean in (0.0, 0.3)
            for log in (0.0, -1.5)
        ),
        key=lambda result: result.fun,
    )  # fmt: skip
    assert found.log_likelihood == pytest.approx(-best.fun, abs=1e-8)
    assert found.estimate == pytest.approx(best.x[0], abs=1e-5)
    assert math.sqrt(found.tau2) == pytest.approx(abs(best.x[1]), abs=1e-4)
    assert found.steps[1].weight == pytest.approx(math.exp(best.x[2]), rel=1e-4)

    # Profile limits: the likelihood maximised over the rest has fallen by half a squared normal quantile there.
    for limit in found.interval:
        if not math.isfinite(limit):
            continue
        held = min(
            optimize.minimize(
                lambda rest, mean=limit: down(np.array([mean, *rest])), [0.2, log], method="Nelder-Mead",
                options={"xatol": 1e-9, "fatol": 1e-12},
            ).fun
            for log in (0.0, -1.5, 1.5)
        )  # fmt: skip
        assert 2 * (held - best.fun) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-5)


def test_without_selection_it_is_maximum_likelihood() -> None:
    found = small_study_adjustment(BCG, "selection_model")
    assert isinstance(found, SelectionModel)

    # computed: normal likelihood over mean and tau2, searched without slopes.
    def down(parameters: np.ndarray) -> float:
        spread = np.sqrt(BCG.variance + parameters[1] ** 2)
        return -float(np.sum(stats.norm.logpdf(BCG.effect, parameters[0], spread)))

    best = optimize.minimize(
        down, [-0.7, 0.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13}
    )
    assert found.unadjusted == pytest.approx(best.x[0], abs=1e-7)
    assert found.unadjusted_tau2 == pytest.approx(best.x[1] ** 2, abs=1e-7)
    assert found.selection.value == pytest.approx(2 * (found.log_likelihood + best.fun), abs=1e-8)
    assert found.selection.p_value == pytest.approx(stats.chi2.sf(found.selection.value, found.selection.df))


def test_the_answer_follows_signs_and_units() -> None:
    table = drawn(20)
    plain = small_study_adjustment(table, "selection_model")
    turned = small_study_adjustment(replace(table, effect=-table.effect), "selection_model")
    scaled = small_study_adjustment(
        replace(table, effect=100 * table.effect, variance=1e4 * table.variance), "selection_model"
    )
    assert turned.estimate == pytest.approx(-plain.estimate, abs=1e-9)
    assert turned.interval.lower == pytest.approx(-plain.interval.upper, abs=1e-6)
    assert scaled.estimate == pytest.approx(100 * plain.estimate, abs=1e-6)
    assert plain.to_json()["favoured"] != turned.to_json()["favoured"]


def test_selection_is_seen_where_it_was_drawn_and_lowers_the_mean() -> None:
    table = drawn(150, 3, (1.0, 0.15))
    found = small_study_adjustment(table, "selection_model")
    assert isinstance(found, SelectionModel)
    assert found.favoured == "higher" and found.selection.p_value < 0.01
    assert found.estimate < found.unadjusted
    assert abs(found.estimate - 0.2) < abs(found.unadjusted - 0.2)


def test_intervals_without_studies_are_said_in_words() -> None:
    table = drawn(12)
    with pytest.raises(NotEstimableError, match="no study has a one-sided p between 0 and 1e-12"):
        small_study_adjustment(
            table, "selection_model", options=AdjustmentOptions(cut_points=(1e-12, 0.5), favoured="higher")
        )
    with pytest.raises(UsageError, match="rise between 0 and 1"):
        small_study_adjustment(table, "selection_model", options=AdjustmentOptions(cut_points=(0.5, 0.1)))
    with pytest.raises(UsageError, match="'higher' or 'lower'"):
        small_study_adjustment(table, "selection_model", options=AdjustmentOptions(favoured="up"))
    clear = table_of(np.linspace(3.0, 4.0, 12), np.linspace(0.01, 0.05, 12))
    with pytest.raises(NotEstimableError, match="all studies lie in one interval"):
        small_study_adjustment(clear, "selection_model")
    found = small_study_adjustment(MAGNESIUM, "selection_model", options=AdjustmentOptions(favoured="higher"))
    assert any("cut point 0.025 was left out" in note for note in found.notes)
    assert any("Too few studies" in note for note in found.notes)


def test_the_limit_agrees_with_statsmodels_to_nine_digits() -> None:
    for table in (BCG, MAGNESIUM):
        found = small_study_adjustment(table, "limit_meta_analysis")
        assert isinstance(found, LimitMetaAnalysis)
        root = np.sqrt(table.variance + found.tau2)
        # Radial form: the slope is the mean, the intercept the bias; residual variance is 1 by the model.
        theirs = sm.OLS(table.effect / root, np.column_stack((1 / root, np.ones_like(root)))).fit()
        covariance = theirs.normalized_cov_params
        tau = math.sqrt(found.tau2)
        assert found.bias == pytest.approx(theirs.params[1], rel=1e-9)
        assert found.estimate == pytest.approx(theirs.params[0] + tau * theirs.params[1], rel=1e-9)
        spread = covariance[0, 0] + 2 * tau * covariance[0, 1] + found.tau2 * covariance[1, 1]
        assert found.standard_error == pytest.approx(math.sqrt(spread), rel=1e-9)
        egger = sm.WLS(
            table.effect, sm.add_constant(np.sqrt(table.variance)), weights=1 / table.variance
        ).fit()
        flat = sm.WLS(table.effect, np.ones_like(root), weights=1 / table.variance).fit()
        assert found.q_residual.value == pytest.approx(egger.ssr, rel=1e-9)
        assert found.q_small_study.value == pytest.approx(flat.ssr - egger.ssr, rel=1e-8)


def test_the_limit_without_spread_is_the_intercept_of_egger() -> None:
    y, v = np.array([0.1, 0.25, 0.2, 0.5]), np.array([0.01, 0.02, 0.04, 0.09])
    assert float(limit_fit(y, v, 0.0).estimate) == pytest.approx(
        float(precision_regression(y, v, np.sqrt(v)).intercept), rel=1e-12
    )


def test_a_batch_equals_a_loop_to_the_last_bit() -> None:
    generator = np.random.default_rng(8)
    y, v = generator.normal(size=(30, 11)), generator.uniform(0.01, 1, (30, 11))
    tau2 = generator.uniform(0, 0.5, 30)
    together = limit_fit(y, v, tau2)
    lines = precision_regression(y, v, np.sqrt(v))
    for n in range(30):
        assert float(together.estimate[n]) == float(limit_fit(y[n], v[n], tau2[n]).estimate)
        assert float(lines.intercept[n]) == float(precision_regression(y[n], v[n], np.sqrt(v[n])).intercept)


@pytest.mark.lengthy
@pytest.mark.parametrize("name", SMALL_STUDY_ADJUSTMENTS.names())
def test_every_adjustment_says_what_it_cannot_tell_and_is_refused_on_few(name: str) -> None:
    found = small_study_adjustment(BCG, name)
    answer = found.to_json()
    assert answer["standing"] == "sensitivity_analysis"
    assert answer["notes"][0].startswith("Sensitivity analysis:") and "cannot tell" in answer["notes"][0]
    assert all(key in REFERENCES for key in SMALL_STUDY_ADJUSTMENTS[name].references)
    nine = BCG.select(np.arange(13) < 9)
    with pytest.raises(NotEstimableError, match="9 studies are too few"):
        small_study_adjustment(nine, name)
    assert small_study_adjustment(nine, name, force=True).k == 9
    with pytest.raises(NotEstimableError, match="at least 5"):
        small_study_adjustment(BCG.select(np.arange(13) < 4), name, force=True)
    with pytest.raises(NotEstimableError, match="same precision"):
        small_study_adjustment(replace(BCG, variance=np.full(13, 0.1)), name)
    shuffled = BCG.select(np.ones(13, dtype=bool))
    order = np.random.default_rng(1).permutation(13)
    shuffled = replace(shuffled, effect=BCG.effect[order], variance=BCG.variance[order])
    assert small_study_adjustment(shuffled, name).estimate == pytest.approx(found.estimate, abs=1e-7)


def test_explore_names_tests_and_adjustments_in_one_option() -> None:
    answer = explore(BCG, tests=("harbord", "pet_peese", "selection_model", "limit_meta_analysis"))
    assert {"harbord", "pet_peese", "selection_model", "limit_meta_analysis"} <= answer.keys()
    text = exploring_text(answer, BCG)
    assert "PET-PEESE" in text and "relative weight" in text and text.count("cannot tell") >= 3
    with pytest.raises(UnknownNameError, match="pet_peese"):
        explore(BCG, tests=("pet_pese",))
