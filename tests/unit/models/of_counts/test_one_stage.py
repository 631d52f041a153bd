"""One-stage pooling from raw counts: variants, awkward data, words, and nothing that vanishes."""

from __future__ import annotations

import math
from typing import Any, ClassVar

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, special, stats

from metakit.core.bibliography import reference
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.measures.tables import effect_sizes
from metakit.models.of_counts.one_stage import fit
from metakit.models.of_counts.one_stage_intervals import INTERVALS, LEAST_SPREAD
from metakit.models.of_counts.one_stage_results import BetaBinomialResult, ExactResult, OneStageResult
from metakit.models.of_counts.one_stage_variants import ONE_STAGE_VARIANTS, variants_of
from metakit.models.registry import MODELS, PoolOptions

# Invented numbers throughout.
ONE_ARM = {"study": list("ABCDEF"), "events": [0, 1, 3, 0, 6, 1], "total": [40, 55, 31, 12, 48, 120]}
RATES = {"study": list("ABCDE"), "events": [0, 1, 5, 0, 2], "time": [120.5, 98, 140.25, 33, 210]}
TWO_ARMS = {
    "study": list("ABCDEF"),
    "events_1": [5, 0, 0, 9, 1, 2],
    "total_1": [40, 25, 18, 35, 60, 44],
    "events_2": [1, 0, 4, 4, 0, 14],
    "total_2": [38, 30, 20, 36, 55, 40],
}
TWO_RATES = {
    "study": list("ABCDE"),
    "events_1": [1, 0, 6, 0, 1],
    "time_1": [120, 77, 210, 30, 140],
    "events_2": [4, 2, 3, 0, 9],
    "time_2": [98, 80, 190, 25, 151],
}
TABLES = {
    "proportion": ONE_ARM,
    "rate": RATES,
    "odds_ratio": TWO_ARMS,
    "risk_ratio": TWO_ARMS,
    "risk_difference": TWO_ARMS,
    "rate_ratio": TWO_RATES,
}
PAIRS = [(measure, variant.name) for measure in TABLES for variant in variants_of(measure)]


def pooled(
    table: dict[str, Any], measure: str, *, level: float = 0.95, interval: str | None = None, **extra: Any
) -> Any:
    effective = extra.pop("effective_numbers", False)
    effects = effect_sizes(table, measure=measure, rows_differ=True, effective_numbers=effective)
    return fit(effects, PoolOptions(level=level, interval=interval, extra=extra))


def test_every_variant_serves_a_measure_that_the_model_takes() -> None:
    served = {measure for variant in ONE_STAGE_VARIANTS for measure in variant.measures}
    assert served == set(MODELS["one_stage"].measures) == set(TABLES)


def test_sources_of_every_variant_are_in_the_bibliography() -> None:
    for variant in ONE_STAGE_VARIANTS:
        assert variant.references
        for key in variant.references:
            assert reference(key).year >= 2010


@pytest.mark.grid
@pytest.mark.parametrize(("measure", "variant"), PAIRS)
def test_every_variant_uses_or_names_every_study(measure: str, variant: str) -> None:
    result = pooled(TABLES[measure], measure, variant=variant)
    answer = result.to_json()
    assert answer["variant"] == variant and answer["model"] == "one_stage" and answer["converged"]
    assert result.interval.lower < result.estimate < result.interval.upper
    default = "profile_likelihood_small_sample" if variant == "beta_binomial" else "profile_likelihood_graded"
    assert result.mean.method == default
    theirs = INTERVALS[1:] if variant == "beta_binomial" else INTERVALS
    assert [other.method for other in result.other_intervals] == [x for x in theirs if x != default]
    assert all(row.weight is None for row in result.studies)
    assert str(result) and len(result.tidy()) == result.k + 1
    kept = {row.study for row in result.studies}
    assert kept | {item.study for item in result.set_aside} == set(TABLES[measure]["study"])
    empty = {"odds_ratio": "B", "risk_ratio": "B", "risk_difference": "B", "rate_ratio": "D"}.get(measure)
    if empty and ONE_STAGE_VARIANTS[variant].reason_without_information:
        (aside,) = result.set_aside
        assert aside.study == empty and "conditions such a study away" in aside.reason
    else:
        assert result.set_aside == () and kept == set(TABLES[measure]["study"])


@pytest.mark.grid
@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize("measure", ["proportion", "risk_ratio", "rate_ratio"])
def test_every_interval_can_be_the_headline(measure: str, interval: str) -> None:
    if (measure, interval) == ("risk_ratio", "profile_likelihood_graded"):
        with pytest.raises(
            UsageError, match="which the beta-binomial does not have; it takes profile_likelihood,"
        ):
            pooled(TABLES[measure], measure, interval=interval)
        return
    result = pooled(TABLES[measure], measure, interval=interval)
    theirs = INTERVALS[1:] if measure == "risk_ratio" else INTERVALS
    assert result.mean.method == result.to_json()["interval_method"] == interval
    assert [other.method for other in result.other_intervals] == [x for x in theirs if x != interval]


def test_the_graded_cutoff_follows_the_share_of_variance_between_studies() -> None:
    """Source: the definition, with the sampling variance of a typical study found by a plain logistic regression.

    Pooled without heterogeneity, a logit has the standard error of statsmodels' intercept-only binomial GLM; k times
    its square is the typical study's sampling variance.
    """
    events, total = np.array([2, 9, 4, 14, 1, 7]), np.array([40, 38, 61, 55, 44, 29])
    table = {"study": list("ABCDEF"), "events": events, "total": total}
    found = {name: pooled(table, "proportion", interval=name) for name in INTERVALS[:3]}
    plain, small, graded = (found[name] for name in ("profile_likelihood", INTERVALS[2], INTERVALS[0]))
    glm = sm.GLM(np.column_stack([events, total - events]), np.ones(6), family=sm.families.Binomial()).fit()
    tau2 = max(plain.heterogeneity.tau2, LEAST_SPREAD**2)
    share = tau2 / (tau2 + 6 * float(glm.bse[0]) ** 2)
    t = stats.t.ppf(0.975, 5)
    cutoff = (1 - share) * stats.chi2.ppf(0.95, 1) + share * 6 * math.log1p(t**2 / 5)
    level = float(stats.chi2.cdf(cutoff, 1))  # the plain interval at this level has the same cutoff
    same = pooled(table, "proportion", interval="profile_likelihood", level=level)
    assert graded.interval == pytest.approx(same.interval, rel=1e-7)
    assert small.interval.lower < graded.interval.lower < plain.interval.lower
    assert plain.interval.upper < graded.interval.upper < small.interval.upper


def test_counts_enter_uncorrected_whatever_the_table_was_made_with() -> None:
    with_it = effect_sizes(ONE_ARM, measure="proportion", zero_cells="constant")
    without = effect_sizes(ONE_ARM, measure="proportion", zero_cells="none")
    first, second = (fit(effects, PoolOptions()) for effects in (with_it, without))
    assert first.estimate == second.estimate
    assert first.assumptions == () and first.set_aside == second.set_aside == ()
    rows = {row.study: row for row in first.studies}
    assert rows["A"].effect is None and rows["A"].variance is None
    assert rows["A"].interval.lower == -math.inf
    assert special.expit(rows["A"].interval.upper) == pytest.approx(stats.beta.ppf(0.975, 1, 40))


def test_median_and_population_average_of_a_proportion_are_both_given() -> None:
    """Source: scipy.integrate.quad of expit over the normal distribution of studies."""
    result = pooled(ONE_ARM, "proportion")
    tau = math.sqrt(result.heterogeneity.tau2)
    expected, _ = integrate.quad(
        lambda z: special.expit(result.estimate + tau * z) * stats.norm.pdf(z), -12, 12, epsabs=0
    )
    assert result.average.estimate == pytest.approx(expected, rel=1e-8)
    assert result.average.interval.lower < expected < result.average.interval.upper
    assert result.back_transform(result.estimate) < expected
    note = next(note for note in result.notes if "population average" in note)
    assert "median" in note and f"{100 * expected:.3g} %" in note


def test_population_average_of_a_rate_is_the_log_normal_mean() -> None:
    result = pooled(RATES, "rate")
    expected = math.exp(result.estimate + result.heterogeneity.tau2 / 2)
    assert result.average.estimate == pytest.approx(expected, rel=1e-12)


def test_prediction_has_k_minus_2_degrees_of_freedom() -> None:
    result = pooled(ONE_ARM, "proportion")
    half = stats.t.ppf(0.975, 4) * math.sqrt(result.heterogeneity.tau2 + result.standard_error**2)
    assert result.prediction.df == 4
    assert result.prediction.interval == pytest.approx((result.estimate - half, result.estimate + half))


def test_a_boundary_fit_says_so() -> None:
    table = {"study": list("ABCD"), "events": [2, 3, 1, 4], "total": [40, 60, 20, 80]}
    result = pooled(table, "proportion")
    assert result.boundary and result.heterogeneity.tau2 == 0.0 and result.prediction is None
    assert result.heterogeneity.tau2_interval.lower == 0.0 < result.heterogeneity.tau2_interval.upper
    assert result.heterogeneity_test.p_value == 1.0
    assert any("boundary" in note for note in result.notes)


def test_heterogeneity_test_is_a_half_and_half_mixture() -> None:
    """Self & Liang 1987: half the chi-squared tail on 1 degree of freedom."""
    test = pooled(ONE_ARM, "proportion").heterogeneity_test
    assert test.value > 0
    assert test.p_value == pytest.approx(0.5 * stats.chi2.sf(test.value, 1), rel=1e-12)


def test_small_sample_profile_is_the_t_interval_for_equally_precise_studies() -> None:
    """Likelihood ratio and t test are one for normal data with an unknown variance (any textbook).

    Large equal studies with much heterogeneity come close to that; the two intervals then agree.
    """
    table = {"study": list("ABCDEF"), "events": [900, 1500, 2400, 3000, 4100, 5200], "total": [10_000] * 6}
    result = pooled(table, "proportion", interval="profile_likelihood_small_sample")
    logits = special.logit(np.array(table["events"]) / 10_000)
    half = stats.t.ppf(0.975, 5) * np.std(logits, ddof=1) / math.sqrt(6)
    assert result.interval == pytest.approx((logits.mean() - half, logits.mean() + half), abs=2e-3)


@pytest.mark.lengthy
def test_the_test_of_no_effect_belongs_to_the_interval() -> None:
    for interval in INTERVALS:
        result = pooled(TWO_ARMS, "odds_ratio", interval=interval)
        covers = result.interval.lower < 0 < result.interval.upper
        assert covers == (result.mean.p_value > 0.05)
        edge = pooled(TWO_ARMS, "odds_ratio", interval=interval, level=1 - result.mean.p_value).interval
        assert min(abs(edge.lower), abs(edge.upper)) == pytest.approx(0.0, abs=1e-6)


class TestNoEventsAtAll:
    """Single arms in which nothing happened, everywhere or nowhere but."""

    @pytest.mark.parametrize(("measure", "size"), [("proportion", "total"), ("rate", "time")])
    def test_no_event_has_an_exact_upper_limit(self, measure: str, size: str) -> None:
        """0 of n: the limit is 1 - 0.05^(1/n), 0 over T: -ln(0.05)/T ('rule of three'; Hanley & Lippman-Hand 1983)."""
        result = pooled({"study": list("ABC"), "events": [0, 0, 0], size: [40, 60, 100]}, measure)
        expected = 1 - 0.05 ** (1 / 200) if measure == "proportion" else -math.log(0.05) / 200
        answer = result.to_json()
        assert isinstance(result, ExactResult)
        assert answer["estimate"] is None and answer["back_transformed"]["estimate"] == 0.0
        assert answer["back_transformed"]["interval"] == pytest.approx([0.0, expected], rel=1e-9)
        assert any("not 'no event possible'" in note for note in result.notes)

    def test_nothing_but_events_has_an_exact_lower_limit(self) -> None:
        result = pooled({"study": list("AB"), "events": [40, 60], "total": [40, 60]}, "proportion")
        assert result.to_json()["back_transformed"]["interval"] == pytest.approx([0.05 ** (1 / 100), 1.0])

    def test_the_upper_limit_holds_for_proportions_that_differ(self) -> None:
        """By log-concavity the size-weighted mean proportion is covered at least as often as the level says."""
        size, risk = np.array([40.0, 60.0, 100.0]), np.array([0.0, 0.002, 0.03])
        average = float(np.sum(size * risk) / size.sum())
        limit = 1 - 0.05 ** (1 / size.sum())
        assert average > limit  # only then could it miss
        assert float(np.prod((1 - risk) ** size)) <= 0.05


def test_one_study_is_shown_with_its_exact_interval() -> None:
    """Clopper & Pearson 1934, by scipy.stats.beta."""
    result = pooled({"study": ["A"], "events": [3], "total": [20]}, "proportion")
    low, high = stats.beta.ppf(0.025, 3, 18), stats.beta.ppf(0.975, 4, 17)
    assert [result.back_transform(x) for x in result.interval] == pytest.approx([low, high])
    assert any("nothing is pooled" in note for note in result.notes)


@pytest.mark.parametrize("variant", [variant.name for variant in variants_of("odds_ratio")])
def test_one_two_arm_study_is_its_own_odds_ratio(variant: str) -> None:
    table = {"study": ["A"], "events_1": [2], "total_1": [50], "events_2": [5], "total_2": [60]}
    result = pooled(table, "odds_ratio", variant=variant, interval="wald")
    expected = math.log(2 * 55 / (48 * 5))
    tolerance = (
        1e-2 if variant.startswith("conditional") else 1e-9
    )  # the conditional estimate is a little nearer 0
    assert result.estimate == pytest.approx(expected, abs=tolerance)
    assert result.heterogeneity.tau2 is None
    assert any("One study" in note for note in result.notes)


def test_two_studies_get_a_wide_answer_and_no_prediction() -> None:
    result = pooled({"study": list("AB"), "events": [3, 1], "total": [20, 40]}, "proportion")
    assert result.prediction is None and any("fewer than 3" in note for note in result.notes)
    assert result.interval.upper - result.interval.lower > 1


def test_studies_of_one_thumb_give_a_common_proportion() -> None:
    result = pooled({"study": list("ABCDE"), "events": [0, 1, 0, 1, 0], "total": [1] * 5}, "proportion")
    assert result.estimate == pytest.approx(special.logit(0.4), rel=1e-9)
    assert result.heterogeneity.tau2 is None and any("tau is held at 0" in note for note in result.notes)


def test_two_studies_of_opposite_extremes_have_no_mean() -> None:
    with pytest.raises(NotEstimableError, match="grows without end with tau"):
        pooled({"study": list("AB"), "events": [0, 40], "total": [20, 40]}, "proportion")


class TestSeparation:
    """No event in one arm of any study."""

    TABLE: ClassVar[dict[str, Any]] = {
        "study": list("ABC"),
        "events_1": [0, 0, 0],
        "total_1": [20, 30, 25],
        "events_2": [3, 0, 2],
        "total_2": [20, 30, 25],
    }

    @pytest.mark.parametrize("variant", [variant.name for variant in variants_of("odds_ratio")])
    def test_is_answered_in_words_with_the_exact_limit(self, variant: str) -> None:
        """The limit solves P(no event in arm 1 | totals) = 0.05, by scipy.stats.nchypergeom_fisher."""
        with pytest.raises(
            NotEstimableError, match=r"0 of 75 against 5 of 75|0 of 45 against 5 of 45"
        ) as caught:
            pooled(self.TABLE, "odds_ratio", variant=variant)
        limit = float(str(caught.value).split("upper limit is ")[1].split()[0])
        chance = stats.nchypergeom_fisher.pmf(0, 40, 20, 3, limit) * stats.nchypergeom_fisher.pmf(
            0, 50, 25, 2, limit
        )
        assert chance == pytest.approx(0.05, rel=0.02)  # the limit is printed with three digits
        assert caught.value.exit_status == 3

    def test_of_the_other_arm_has_a_lower_limit(self) -> None:
        turned = {"study": self.TABLE["study"]}
        for name in ("events", "total"):
            turned[f"{name}_1"], turned[f"{name}_2"] = self.TABLE[f"{name}_2"], self.TABLE[f"{name}_1"]
        with pytest.raises(NotEstimableError, match="95 % lower limit"):
            pooled(turned, "odds_ratio")

    def test_of_rates(self) -> None:
        table = {
            "study": list("AB"),
            "events_1": [0, 0],
            "time_1": [50, 60],
            "events_2": [2, 1],
            "time_2": [50, 60],
        }
        with pytest.raises(NotEstimableError, match="0 over 110 against 3 over 110") as caught:
            pooled(table, "rate_ratio")
        limit = float(str(caught.value).split("upper limit is ")[1].split()[0])
        assert (1 / (1 + limit)) ** 3 == pytest.approx(0.05, rel=0.02)

    def test_without_any_event_names_every_study(self) -> None:
        table = {**self.TABLE, "events_2": [0, 0, 0]}
        with pytest.raises(NotEstimableError, match="A, B, C: no event"):
            pooled(table, "odds_ratio")


def test_effective_numbers_take_the_variant_that_can_use_them() -> None:
    table = {**TWO_ARMS, "events_1": [4.6, 0, 0, 8.3, 0.9, 1.8]}
    result = pooled(table, "odds_ratio", effective_numbers=True)
    assert result.variant == "binomial_normal_fixed_study_intercepts"
    assert any("not whole" in note for note in result.notes)
    for measure, variant in (
        ("odds_ratio", "conditional_hypergeometric_normal"),
        ("risk_ratio", "beta_binomial"),
    ):
        with pytest.raises(UsageError, match="whole numbers"):
            pooled(table, measure, effective_numbers=True, variant=variant)


def test_wrong_use_is_said_in_one_sentence() -> None:
    with pytest.raises(UnknownNameError, match="did you mean beta_binomial"):
        pooled(TWO_ARMS, "odds_ratio", variant="beta_binomal")
    with pytest.raises(UnknownNameError, match="profile_likelihood"):
        pooled(ONE_ARM, "proportion", interval="hartung_knapp")
    with pytest.raises(UsageError, match="no option variants"):
        pooled(ONE_ARM, "proportion", variants="x")
    effects = effect_sizes(ONE_ARM, measure="proportion", scale="raw")
    with pytest.raises(UsageError, match="logit scale"):
        fit(effects, PoolOptions())
    with pytest.raises(UsageError, match="tau2='maximum_likelihood' only"):
        fit(effect_sizes(ONE_ARM, measure="proportion"), PoolOptions(tau2="reml"))
    arcsine = effect_sizes(TWO_ARMS, measure="arcsine_difference")
    with pytest.raises(UsageError, match="does not serve the measure arcsine_difference"):
        fit(arcsine, PoolOptions())


def test_a_model_without_prediction_says_so() -> None:
    assert isinstance(pooled(ONE_ARM, "proportion"), OneStageResult)
    result = pooled(TWO_ARMS, "risk_ratio")
    assert isinstance(result, BetaBinomialResult)
    assert 0 < result.correlation < 1 and result.prediction is None
