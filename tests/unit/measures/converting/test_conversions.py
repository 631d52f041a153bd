"""Conversions against the handbook, the methods papers and exact arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting import conversions as cv
from metakit.measures.converting.quantiles import doubt_of, quartile_constant, range_constant


# Cochrane Handbook 5.1, sections 7.7.3.2 and 7.7.3.3 (6.5.2.2 and 6.5.2.3 in version 6). Status: published.
def test_handbook_quantiles() -> None:
    assert cv.critical_value(0.95, 24) == pytest.approx(2.0639, abs=5e-5)
    assert 2 * cv.critical_value(0.95, 24) == pytest.approx(4.128, abs=5e-4)
    assert 2 * cv.critical_value(0.95, 1, "normal") == pytest.approx(3.92, abs=5e-3)
    assert 2 * cv.critical_value(0.90, 1, "normal") == pytest.approx(3.29, abs=5e-3)
    assert 2 * cv.critical_value(0.99, 1, "normal") == pytest.approx(5.15, abs=5e-3)


# Same source: a difference of 3.8 with p 0.008, 25 and 22 in the arms. t and SE are published; the SD is computed.
def test_handbook_p_value() -> None:
    t = cv.t_from_p(0.008, 45)
    assert t == pytest.approx(2.78, abs=5e-3)
    assert 3.8 / t == pytest.approx(1.37, abs=5e-3)
    derived = cv.sd_from_p(3.8, 0.008, 25, 22)
    assert derived.value == pytest.approx(4.6834693413750985, rel=1e-12)
    assert "p 0.008" in derived.inputs
    assert derived.reference == "handbook"
    assert "upper bound" in cv.sd_from_p(3.8, 0.008, 25, 22, exact=False).inputs


# Made-up inputs, formula checks only; status: computed with mpmath, 50 digits.
def test_sd_from_error_and_interval() -> None:
    assert cv.sd_from_standard_error(1.2, 50).value == pytest.approx(8.48528137423857, rel=1e-12)
    normal = cv.sd_from_interval(12.1, 17.3, 120, quantile="normal")
    assert normal.value == pytest.approx(14.531681814016814, rel=1e-12)
    assert cv.sd_from_interval(12.1, 17.3, 25).value == pytest.approx(6.298759174358578, rel=1e-12)


def test_all_ways_to_a_pooled_sd_agree_with_a_t_test() -> None:
    generator = np.random.default_rng(11)
    one, two = generator.normal(10, 4, 18), generator.normal(7, 4, 23)
    test = stats.ttest_ind(one, two)
    difference = one.mean() - two.mean()
    pooled = math.sqrt((17 * one.var(ddof=1) + 22 * two.var(ddof=1)) / 39)
    interval = test.confidence_interval(0.9)
    for derived in (
        cv.sd_from_t(difference, test.statistic, 18, 23),
        cv.sd_from_p(difference, test.pvalue, 18, 23),
        cv.sd_from_difference_error(difference / test.statistic, 18, 23),
        cv.sd_from_difference_interval(interval.low, interval.high, 18, 23, level=0.9),
    ):
        assert derived.value == pytest.approx(pooled, rel=1e-9)


# Cochrane Handbook, section 6.5.2.8: experimental arm 6.4, 7.1, change 4.5; control 7.0, 6.9, change 4.2; correlations
# 0.78 and 0.82; with 0.80 the missing SD of change is 4.3. Status: memory.
def test_handbook_change_scores() -> None:
    assert cv.correlation_from_sds(6.4, 7.1, 4.5).value == pytest.approx(0.78, abs=5e-3)
    assert cv.correlation_from_sds(7.0, 6.9, 4.2).value == pytest.approx(0.82, abs=5e-3)
    derived = cv.change_sd(6.4, 7.1, 0.80)
    assert derived.value == pytest.approx(4.3, abs=0.05)
    assert "assumed correlation of 0.8" in derived.rule
    assert cv.change_sd(6.4, 7.1, cv.correlation_from_sds(6.4, 7.1, 4.5).value).value == pytest.approx(
        4.5, rel=1e-12
    )
    spread = [item.value for item in cv.change_sd_range(6.4, 7.1)]
    assert spread == sorted(spread, reverse=True)
    with pytest.raises(NotEstimableError, match="standard error"):
        cv.correlation_from_sds(6.4, 7.1, 20)


def test_mixing_final_and_change_scores() -> None:
    assert cv.check_value_kinds(["final", "final"], standardized=True) == ""
    assert "mean differences allow" in cv.check_value_kinds(["final", "change"], standardized=False)
    with pytest.raises(UsageError, match="cannot be mixed"):
        cv.check_value_kinds(["change", "final"], standardized=True)


# Wan X et al. 2014, BMC Med Res Methodol 14:135, table 1. Status: published (page read), three decimals.
WAN_TABLE_1 = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078,
               15: 3.472, 20: 3.735, 25: 3.931, 30: 4.086, 40: 4.322, 50: 4.498}  # fmt: skip


def test_wan_table_1() -> None:
    for n, printed in WAN_TABLE_1.items():
        assert range_constant(n, "exact") == pytest.approx(printed, abs=5e-4)


# Status: computed with mpmath; the quartile constants by the trapezoid rule at 40 digits with two step sizes.
def test_normal_constants_to_twelve_digits() -> None:
    assert range_constant(2, "exact") == pytest.approx(2 / math.sqrt(math.pi), rel=1e-13)
    assert range_constant(3, "exact") == pytest.approx(3 / math.sqrt(math.pi), rel=1e-13)
    assert range_constant(50, "exact") == pytest.approx(4.4981472587797006, rel=1e-12)
    assert quartile_constant(5, "exact") == pytest.approx(0.9900379409154845, rel=1e-12)
    assert quartile_constant(81, "exact") == pytest.approx(1.3256442748432107, rel=1e-12)
    assert quartile_constant(201, "exact") == pytest.approx(1.3395626654536927, rel=1e-12)
    assert range_constant(5) == pytest.approx(2.359522235223722, rel=1e-12)
    assert range_constant(50) == pytest.approx(4.486657526092562, rel=1e-12)
    # No quartile of 6 observations is one of them: the formula stands in.
    assert quartile_constant(6, "exact") == quartile_constant(6)


RANGE = cv.Quantiles(total=60, median=10, minimum=2, maximum=30)
QUARTILES = cv.Quantiles(total=60, median=10, first_quartile=7, third_quartile=14)
FIVE = cv.Quantiles(total=60, median=10, minimum=2, first_quartile=7, third_quartile=14, maximum=30)


# Inputs made up; status: computed with mpmath from Wan 2014 (SD) and Luo 2018 (mean, formulas from memory).
def test_wan_and_luo() -> None:
    assert cv.sd_from_quantiles(RANGE).value == pytest.approx(6.053899123801405, rel=1e-12)
    assert cv.sd_from_quantiles(QUARTILES).value == pytest.approx(5.317077744025752, rel=1e-12)
    assert cv.sd_from_quantiles(FIVE, rule="wan").value == pytest.approx(5.685488433913578, rel=1e-12)
    assert cv.mean_from_quantiles(RANGE).value == pytest.approx(10.939031548799443, rel=1e-12)
    assert cv.mean_from_quantiles(QUARTILES).value == pytest.approx(10.35325, rel=1e-12)
    assert cv.mean_from_quantiles(FIVE).value == pytest.approx(10.867724460245842, rel=1e-12)
    assert cv.mean_from_quantiles(QUARTILES, rule="wan").value == pytest.approx(31 / 3, rel=1e-12)
    assert cv.mean_from_quantiles(RANGE, rule="wan").value == pytest.approx(13.0, rel=1e-12)


# Shi J et al. 2020, Res Synth Methods 11:641-654 (formula from memory): theta1 and theta2 written as in the paper.
def test_shi_five_numbers() -> None:
    n = 60
    theta_1 = (2 + 0.14 * n**0.6) * stats.norm.ppf((n - 0.375) / (n + 0.25))
    theta_2 = (2 + 2 / (0.07 * n**0.6)) * stats.norm.ppf((0.75 * n - 0.125) / (n + 0.25))
    derived = cv.sd_from_quantiles(FIVE)
    assert derived.value == pytest.approx(28 / theta_1 + 7 / theta_2, rel=1e-12)
    assert derived.reference == "shi_2020"


def test_skewed_quantiles_say_do_not_convert() -> None:
    for given in (RANGE, FIVE):
        assert "do not convert" in cv.sd_from_quantiles(given).doubt
        assert "do not convert" in cv.mean_from_quantiles(given).assumption("A").inputs
    assert (
        doubt_of(
            cv.Quantiles(total=60, median=10, minimum=-1, first_quartile=7, third_quartile=13, maximum=21)
        )
        == ""
    )


# The critical values are from memory (Shi J et al. 2023); under normal data the test must reject about 5 %. 3,000 draws:
# standard error 0.4 points.
@pytest.mark.parametrize("pattern", ["range", "quartiles", "five_numbers"])
@pytest.mark.parametrize("n", [25, 101])
def test_size_of_the_skewness_test(pattern: str, n: int) -> None:
    draws = np.sort(np.random.default_rng(5).standard_normal((3000, n)), axis=1)
    low, q1, middle, q3, high = draws[:, [0, n // 4, n // 2, n - 1 - n // 4, n - 1]].T
    rejected = 0
    for row in range(3000):
        ends = {"minimum": low[row], "maximum": high[row]} if pattern != "quartiles" else {}
        quartiles = {"first_quartile": q1[row], "third_quartile": q3[row]} if pattern != "range" else {}
        rejected += cv.skewness(cv.Quantiles(total=n, median=middle[row], **ends, **quartiles)).skewed
    assert 0.03 < rejected / 3000 < 0.07


# The rules must recover mean and SD of normal data: 400 samples of 101, mean 40, SD 12.
def test_quantile_rules_recover_normal_data() -> None:
    draws = np.sort(np.random.default_rng(8).normal(40, 12, (400, 101)), axis=1)
    means, sds = [], []
    for row in draws:
        given = cv.Quantiles(
            total=101,
            minimum=row[0],
            first_quartile=row[25],
            median=row[50],
            third_quartile=row[75],
            maximum=row[100],
        )
        means.append(cv.mean_from_quantiles(given).value)
        sds.append(cv.sd_from_quantiles(given).value)
    assert np.mean(means) == pytest.approx(40, abs=0.3)
    assert np.mean(sds) == pytest.approx(12, abs=0.3)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"total": 60, "median": 10}, "both quartiles or both ends"),
        ({"total": 60, "median": 10, "first_quartile": 7}, "both quartiles or both ends"),
        ({"total": 60, "median": 6, "first_quartile": 7, "third_quartile": 9}, "lies above"),
        ({"total": 2, "median": 6, "minimum": 5, "maximum": 9}, "at least 3"),
        ({"total": 60, "median": 6, "minimum": 6, "maximum": 6}, "all equal"),
        ({"total": 60, "median": math.nan, "minimum": 6, "maximum": 7}, "finite"),
    ],
)
def test_impossible_quantiles(given: dict[str, float], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        cv.Quantiles(**given)


def test_shi_needs_all_five() -> None:
    with pytest.raises(UsageError, match="both ends"):
        cv.sd_from_quantiles(QUARTILES, rule="shi")


# Cochrane Handbook table 6.5.a; inputs made up. Status: computed with mpmath.
GROUPS = [cv.MeanSummary(12.5, 4.1, 30), cv.MeanSummary(15.2, 5.3, 45), cv.MeanSummary(14.0, 3.9, 25)]


def test_combining_means() -> None:
    two, three = cv.combined_means(GROUPS[:2]).value, cv.combined_means(GROUPS).value
    assert two == pytest.approx((14.12, 5.006306833196314, 75), rel=1e-12)
    assert three == pytest.approx((14.09, 4.735402876634723, 100), rel=1e-12)
    nested = cv.combined_means([two, GROUPS[2]]).value
    assert nested == pytest.approx(three, rel=1e-12)


def test_combining_means_is_the_sd_of_all_observations() -> None:
    parts = [np.random.default_rng(seed).normal(seed, 2, 5 + seed) for seed in (1, 2, 3)]
    given = [cv.MeanSummary(part.mean(), part.std(ddof=1), part.size) for part in parts]
    everyone = np.concatenate(parts)
    assert cv.combined_means(given).value == pytest.approx(
        (everyone.mean(), everyone.std(ddof=1), everyone.size), rel=1e-12
    )


def test_combining_counts_and_rates() -> None:
    counts = cv.combined_counts([cv.CountSummary(3, 40), cv.CountSummary(0, 25)])
    assert counts.value == (3, 65)
    assert counts.inputs == "3 of 40 + 0 of 25 -> 3 of 65"
    assert cv.combined_rates([cv.RateSummary(1, 80.5), cv.RateSummary(2, 19.5)]).value == (3, 100)
    with pytest.raises(UsageError, match="between 0 and 40"):
        cv.combined_counts([cv.CountSummary(41, 40)])
    with pytest.raises(UsageError, match="no group"):
        cv.combined_counts([])


# Trial of neoadjuvant chemotherapy in bladder cancer, Lancet 1999;354:533-540, as used by Tierney JF et al. 2007 (Trials
# 8:16): 229 and 256 deaths, hazard ratio 0.85 (0.71 to 1.02), p 0.075. Status: memory; the three forms agree.
def test_hazard_ratio_from_each_form() -> None:
    printed = cv.hazard_ratio_from_interval(0.85, 0.71, 1.02).value
    by_p = cv.hazard_ratio_from_p(0.075, 229, 256, fewer_in="arm_1").value
    by_sizes = cv.hazard_ratio_from_p_and_sizes(0.075, 485, 491, 485, fewer_in="arm_1").value
    assert math.exp(by_p.log_hazard_ratio) == pytest.approx(0.85, abs=5e-3)
    assert math.exp(by_sizes.log_hazard_ratio) == pytest.approx(0.85, abs=5e-3)
    assert by_p.standard_error == pytest.approx(printed.standard_error, abs=2e-3)
    for sign, limit in ((-1, 0.71), (1, 1.02)):
        assert math.exp(by_p.log_hazard_ratio + sign * 1.96 * by_p.standard_error) == pytest.approx(
            limit, abs=6e-3
        )
    variance = 229 * 256 / 485
    by_logrank = cv.hazard_ratio_from_logrank(by_p.log_hazard_ratio * variance, variance).value
    assert by_logrank == pytest.approx(by_p, rel=1e-12)
    other_way = cv.hazard_ratio_from_p(0.075, 229, 256, fewer_in="arm_2").value
    assert other_way.log_hazard_ratio == -by_p.log_hazard_ratio


def test_tiny_and_useless_p_values() -> None:
    assert cv.z_from_p(1e-200) == pytest.approx(30.2, abs=0.1)
    assert cv.hazard_ratio_from_p(1.0, 20, 20, fewer_in="arm_1").value.log_hazard_ratio == 0
    with pytest.raises(NotEstimableError, match="says nothing"):
        cv.log_error_from_p(0.8, 1.0)
    with pytest.raises(UsageError, match="above 0 and at most 1"):
        cv.t_from_p(0.0, 20)


# A self-contradiction as met in an abstract (the project's clinical brief, 4.7, pattern 1): MD 0.22 with interval -0.66 to
# 0.21. Here its ratio form.
def test_estimate_off_its_centre_is_asked_about() -> None:
    assert cv.log_error_from_interval(0.85, 0.71, 1.02).doubt == ""
    assert "off its centre" in cv.log_error_from_interval(0.85, 0.71, 1.22).doubt
    with pytest.raises(UsageError, match="outside its interval"):
        cv.log_error_from_interval(math.exp(0.22), math.exp(-0.66), math.exp(0.21))


def test_log_error_round_trip() -> None:
    z = stats.norm.ppf(0.975)
    lower, upper = math.exp(0.4 - z * 0.3), math.exp(0.4 + z * 0.3)
    assert cv.log_error_from_interval(math.exp(0.4), lower, upper).value == pytest.approx(0.3, rel=1e-12)
    p = 2 * stats.norm.sf(0.4 / 0.3)
    assert cv.log_error_from_p(math.exp(0.4), p).value == pytest.approx(0.3, rel=1e-12)


def test_survival_error_from_each_kind_of_interval() -> None:
    z = stats.norm.ppf(0.975)
    s, se = 0.9, 0.02
    plain = cv.survival_error_from_interval(s, s - z * se, s + z * se)
    assert plain.value == pytest.approx(se, rel=1e-12)
    assert "symmetric interval" in plain.rule
    bent = se / abs(s * math.log(s))
    place = math.log(-math.log(s))
    limits = sorted(math.exp(-math.exp(place + sign * z * bent)) for sign in (-1, 1))
    other = cv.survival_error_from_interval(s, *limits)
    assert other.value == pytest.approx(se, rel=1e-12)
    assert "complementary log-log" in other.rule
    cut = cv.survival_error_from_interval(0.98, 0.98 - z * 0.015, 1.0)
    assert cut.value == pytest.approx(0.015, rel=1e-12)
    with pytest.raises(UsageError, match="between 0 and 1"):
        cv.survival_error_from_interval(0.9, 85, 95)


# Definitions: international pound 1959, standard gravity 1901; pinch of 12.1 lb is 5.5 kg (clinical brief 4.7, pattern 8).
def test_units() -> None:
    assert cv.convert(1, "lb", "kg").value == 0.45359237
    assert cv.convert(1, "kg", "N").value == 9.80665
    assert cv.convert(1, "lb", "N").value == pytest.approx(4.4482216152605, rel=1e-15)
    assert cv.convert(12.1, "lb", "kg").value == pytest.approx(5.5, abs=0.05)
    assert cv.convert(216, "N", "kg").value == pytest.approx(216 / 9.80665, rel=1e-15)
    assert cv.convert(37, "mm", "cm").value == pytest.approx(3.7, rel=1e-15)
    assert cv.convert(18, "months", "years").value == 1.5
    with pytest.raises(UsageError, match="cannot be converted"):
        cv.convert(50, "kPa", "kg")
    with pytest.raises(UsageError, match="unknown unit"):
        cv.convert(50, "stone", "kg")


# Cochrane Handbook, section 15.5.3: log odds ratio = pi/sqrt 3 (1.81) x SMD. Status: published formula.
def test_reexpression() -> None:
    smd = cv.EstimateWithLimits(-0.5, -0.8, -0.2)
    odds = cv.as_odds_ratio(smd).value
    assert math.log(odds.estimate) / -0.5 == pytest.approx(1.81, abs=5e-3)
    assert odds.lower < odds.estimate < odds.upper < 1
    points = cv.in_points(smd, 18.0, scale="DASH", sd_source="invented")
    assert points.value == pytest.approx((-9.0, -14.4, -3.6))
    assert "DASH (invented)" in points.rule


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: cv.sd_from_standard_error(0, 20), "above 0"),
        (lambda: cv.sd_from_standard_error(math.nan, 20), "standard error"),
        (lambda: cv.sd_from_standard_error(1, 1), "at least 2"),
        (lambda: cv.sd_from_interval(3, 2, 20), "below the upper"),
        (lambda: cv.sd_from_interval(2, 3, 20, level=95), "write 0.95"),
        (lambda: cv.sd_from_p(3, 1.2, 20, 20), "p value"),
        (lambda: cv.change_sd(3, 4, 1.2), "correlation"),
        (lambda: cv.hazard_ratio_from_logrank(3, 0), "variance"),
        (lambda: cv.in_points(cv.EstimateWithLimits(1, 0, 2), 0, scale="x", sd_source="y"), "above 0"),
    ],
)
def test_impossible_inputs_are_refused_in_words(call, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        call()


def test_no_spread_from_no_difference() -> None:
    with pytest.raises(NotEstimableError, match="says nothing"):
        cv.sd_from_p(3.0, 1.0, 20, 20)
    with pytest.raises(NotEstimableError, match="says nothing"):
        cv.sd_from_t(0.0, 2.0, 20, 20)
