"""The oracle itself: against values computed by others, against exact results, and against its own files."""

from __future__ import annotations

import itertools
import math

import pytest
from agreement import Comparison, certified, digits, published
from mpmath import mp, mpf
from oracle import (
    bayes,
    cases,
    dependent,
    henmi_copas,
    heterogeneity,
    mean,
    means,
    one_arm,
    one_stage,
    pooling,
    precision,
    stratified,
    tau2,
)
from oracle.topics_effects import conversions
from scipy import integrate, stats

LEVEL = mpf("0.95")
BCG = [pair for pair in cases.table_effects("bcg", "risk_ratio", "none") if pair is not None]
BCG_Y, BCG_V = [pair[0] for pair in BCG], [pair[1] for pair in BCG]


@pytest.mark.parametrize("p", [0.025, 0.1, 0.5, 0.9, 0.975, 0.995])
def test_quantiles_agree_with_scipy(p: float) -> None:
    """Source: scipy.stats, an independent library; its quantiles are good to about 12 digits."""
    assert digits(stats.norm.ppf(p) + 1, precision.normal_quantile(mpf(p)) + 1) > 12
    for df in (1, 2, 7, 30):
        assert digits(stats.chi2.ppf(p, df), precision.chi2_quantile(mpf(p), df)) > 10
        if p > 0.5:
            assert digits(stats.t.ppf(p, df), precision.t_quantile(mpf(p), df)) > 10


def test_printed_t_quantiles() -> None:
    """Source: any table of Student's t (12.706, 4.303, 2.179 at 1, 2, 12 df); common practice, no source."""
    for df, shown in ((1, 12.706), (2, 4.303), (12, 2.179)):
        assert float(precision.t_quantile(mpf("0.975"), df)) == pytest.approx(shown, abs=5e-4)


def test_quadratic_form_with_equal_weights_is_chi_square() -> None:
    """Exact: with a = 1/(v + tau2) the form is chi-square with k - 1 df."""
    v = precision.exact(["0.1", "0.3", "0.2", "0.9"])
    t = mpf("0.05")
    a = tau2.weights(v, t)
    for q in ("0.2", "3", "11"):
        assert (
            digits(1, heterogeneity.quadratic_form_cdf(mpf(q), v, t, a) / precision.chi2_cdf(mpf(q), 3)) > 20
        )


def test_quadratic_form_of_two_unequal_terms() -> None:
    """Exact for three studies: l1 X + l2 Y, an integral of a Bessel function that scipy evaluates."""
    a, v, q = [1.0, 2.0, 5.0], [0.5, 0.2, 0.1], 1.3
    form = [[(i == j) * a[i] - a[i] * a[j] / 8 for j in range(3)] for i in range(3)]
    matrix = mp.matrix([[form[i][j] * math.sqrt(v[i] * v[j]) for j in range(3)] for i in range(3)])
    small, l1, l2 = sorted(float(item) for item in mp.eigsy(matrix, eigvals_only=True))
    assert abs(small) < 1e-15
    # given X = z^2, the rest is a chi-square probability with one df
    truth, _ = integrate.quad(
        lambda z: stats.norm.pdf(z) * 2 * stats.chi2.cdf((q - l2 * z * z) / l1, 1),
        0,
        math.sqrt(q / l2),
        epsabs=1e-13,
    )
    ours = heterogeneity.quadratic_form_cdf(mpf(q), precision.exact(v), mpf(0), precision.exact(a))
    assert float(ours) == pytest.approx(truth, abs=1e-11)


def test_henmi_copas_conditional_moments_of_equal_variances() -> None:
    """Exact: with equal variances Q and the mean are independent, so E and Var do not depend on R."""
    v = [mpf("0.2")] * 5
    e0, e1, s0, s1 = henmi_copas.conditional_moments(v, mpf("0.3"))
    ratio = (mpf("0.2") + mpf("0.3")) / mpf("0.2")
    assert abs(e1) < mpf(10) ** -40 and abs(s1) < mpf(10) ** -40
    assert abs(e0 - 4 * ratio) < mpf(10) ** -40 and abs(s0 - 8 * ratio**2) < mpf(10) ** -40


def test_cluster_robust_variance_of_equal_singletons_is_the_textbook_one() -> None:
    """Exact: equal variances, one effect a cluster: standard error s / sqrt(n), n - 1 degrees of freedom."""
    y = precision.exact(["0.1", "0.5", "-0.2", "0.9"])
    phi = mp.diag([mpf(1)] * 4)
    (answer,) = dependent.cr2(y, [[mpf(1)]] * 4, phi, list("abcd"))
    mean_y = sum(y) / 4
    textbook = mp.sqrt(sum((item - mean_y) ** 2 for item in y) / 3 / 4)
    assert abs(answer["standard_error"] - textbook) < mpf(10) ** -30
    assert abs(answer["df"] - 3) < mpf(10) ** -30


def test_three_levels_with_one_effect_a_cluster_is_ordinary_reml() -> None:
    """Exact: only the sum of the two variances is identified; within = 0 leaves plain REML."""
    y, v = BCG_Y[:6], BCG_V[:6]
    best = tau2.reml(y, v)
    _, _, value, slopes = dependent.three_level_pieces(y, v, list(range(6)), best, mpf(0))
    assert abs(slopes[0]) < mpf(10) ** -30
    assert abs(value - tau2.log_likelihood(y, v, best, restricted=True)) < mpf(10) ** -30


def test_one_stage_gradient_vanishes_and_slope_matches_a_difference() -> None:
    """Exact: the analytic derivatives against a finite difference of the integral itself."""
    kernel = one_stage.binomial_kernel(3, 31)
    mu, tau, step = mpf("-2.2"), mpf("0.6"), mpf(10) ** -10
    here = one_stage.study_derivatives(kernel, mu, tau)
    up, down = (one_stage.study_derivatives(kernel, mu, tau + side * step).value for side in (1, -1))
    assert abs((up - down) / (2 * step) - here.gradient[1]) < mpf(10) ** -15
    truth, _ = integrate.quad(
        lambda z: stats.norm.pdf(z) * stats.binom.pmf(3, 31, 1 / (1 + math.exp(2.2 - 0.6 * z))),
        -12,
        12,
        epsabs=1e-14,
    )
    assert math.exp(float(here.value)) == pytest.approx(truth, rel=1e-11)


def test_posterior_of_tau_against_scipy() -> None:
    """Source: scipy.integrate.quad on the same density, beta-blockers, half-normal 0.5."""
    record = next(
        r
        for r in certified("bayesian")
        if r["name"] == "betablockers" and r["tau_prior"]["family"] == "half_normal"
    )
    y = precision.exact(record["effect"])
    v = precision.exact(record["variance"])
    posterior = bayes.Posterior.__new__(bayes.Posterior)
    posterior.y, posterior.v, posterior.mean_prior = y, v, None
    posterior.log_prior, posterior.top = bayes.half_normal(mpf("0.5")), mpf(20)

    def density(t: float) -> float:
        return float(mp.exp(posterior.log_density(mpf(t))))

    with mp.workdps(20):
        median = float(record["tau"]["quantiles"][2])
        below = integrate.quad(density, 0, median, epsrel=1e-10)[0]
        above = integrate.quad(density, median, 1.2, epsrel=1e-10)[0]
    assert below == pytest.approx(above, rel=1e-8)


def test_published_rounded_values_of_the_oracle() -> None:
    """Source: Hedges 1981 table of J(df) (from memory): J(10) = 0.9228; Wan 2014 table 1: xi(25) = 3.931."""
    assert float(means.hedges_j(mpf(10))) == pytest.approx(0.9228, abs=1e-4)
    assert float(means.expected_range(25)) == pytest.approx(3.931, abs=5e-4)


@pytest.mark.walk
def test_certified_files_are_what_the_oracle_gives_today() -> None:
    """The generator is reproducible: cheap parts of the files, computed again, give the same digits."""
    _, records = conversions()
    written = certified("conversions")
    assert precision.printed(records[:7]) == written[:7]
    records = {record["name"]: record for record in certified("pooling_draws")}
    for case in itertools.islice(cases.draws(), 6):
        for name, rule in tau2.ESTIMATORS.items():
            best = rule(case.effect, case.variance)
            again = precision.printed(
                pooling.random_effects(case.effect, case.variance, best, mpf(case.level))
            )
            assert records[case.name]["random_effects"][name] == again


def test_more_digits_change_nothing() -> None:
    """30 more digits of working precision leave the 22 printed ones alone."""
    fifty = tau2.reml(BCG_Y, BCG_V)
    with mp.extradps(30):
        pairs = [pair for pair in cases.table_effects("bcg", "risk_ratio", "none") if pair is not None]
        eighty = tau2.reml([pair[0] for pair in pairs], [pair[1] for pair in pairs])
    assert mp.nstr(fifty, 40) == mp.nstr(eighty, 40)


def test_miller_inverse_returns_the_proportion() -> None:
    """Exact: the inverse undoes the transform (Miller 1978)."""
    for x, n in ((3, 11), (0, 7), (20, 21)):
        back = one_arm.miller_inverse(one_arm.freeman_tukey(mpf(x), mpf(n)), mpf(n))
        assert abs(back - mpf(x) / n) < mpf(10) ** -40


def test_mantel_haenszel_of_one_table_is_its_odds_ratio() -> None:
    """Exact: one stratum, Robins-Breslow-Greenland reduces to Woolf's variance."""
    answer = stratified.odds_ratio([(7, 20, 4, 25)])
    assert answer is not None
    woolf = mp.sqrt(mpf(1) / 7 + mpf(1) / 13 + mpf(1) / 4 + mpf(1) / 21)
    assert abs(answer[0] - mp.log(mpf(7 * 21) / (13 * 4))) < mpf(10) ** -40
    assert abs(answer[1] - woolf) < mpf(10) ** -40


def test_printed_mantel_haenszel_tests() -> None:
    """Agresti 1996 table 3.3 (published): 280.1375; Agresti 1990 rabbits (published): 3.9286 with correction, p 0.04747."""
    china = cases.columns(cases.table("china_smoking"), *cases.TWO_COUNTS)
    rabbits = cases.columns(cases.table("rabbits_zero_cells"), *cases.TWO_COUNTS)
    assert float(stratified.mantel_haenszel_test(china, continuity=False)) == pytest.approx(
        280.1375, abs=1e-4
    )
    corrected = stratified.mantel_haenszel_test(rabbits, continuity=True)
    assert float(corrected) == pytest.approx(3.9286, abs=5e-5)
    assert float(precision.chi2_sf(corrected, mpf(1))) == pytest.approx(0.04747, abs=5e-6)


def test_profile_interval_ends_at_the_right_height() -> None:
    """Definition: at both limits twice the fall of the profile is the chi-square quantile."""
    y, v = BCG_Y[:4], BCG_V[:4]
    peak = tau2.log_likelihood(y, v, tau2.maximum_likelihood(y, v), restricted=False)
    for limit in mean.profile_interval(y, v, LEVEL):
        fall = 2 * (peak - mean.profile_over_tau2(y, v, limit))
        assert abs(fall - precision.chi2_quantile(LEVEL, 1)) < mpf(10) ** -30


# --- the oracle against the collection's own 50-digit values ----------------------------------------

RENAMED = {"coefficient": "estimate"}
INTERVALS = {
    "interval": "wald",
    "hartung_knapp_interval": "hartung_knapp",
    "hartung_knapp_floor_interval": "hartung_knapp_floor",
}
PREDICTIONS = {
    "prediction_interval": "wald_k_minus_2",
    "prediction_interval_hartung_knapp_df_k_minus_1": "hartung_knapp_k_minus_1",
}


def look_up(record: dict[str, object], path: list[str]) -> object:
    """Find the certified figure that answers a path of the collection; None where it has none."""
    method, figure, *rest = path
    if method in ("effect", "variance"):
        return record[method][int(figure)]  # type: ignore[index]
    if method == "heterogeneity":
        place = {
            "q": record["q"]["value"],  # type: ignore[index]
            "p": record["q"]["p_value"],  # type: ignore[index]
            "i2": record["i2_from_q"],
            "h_interval": record["h_interval"],
            "i2_interval_higgins_thompson": record["i2_interval_from_h"],
            "tau2_interval_q_profile": record["tau2_intervals"]["q_profile"],  # type: ignore[index]
            "i2_interval_q_profile": record["i2_interval_q_profile"],
        }[figure]
        return place[int(rest[0])] if rest else place  # type: ignore[index]
    if method in ("leave_one_out", "cumulative", "egger", "begg", "trim_and_fill"):
        return None
    if method == "common_effect":
        place = record["common_effect"]
        return place["interval"][int(rest[1])] if figure == "interval" else place[RENAMED.get(figure, figure)]  # type: ignore[index]
    place = record["random_effects"][method]  # type: ignore[index]
    if figure in INTERVALS:
        return place[INTERVALS[figure]]["interval"][int(rest[1])]
    if figure in PREDICTIONS:
        return place["prediction"][PREDICTIONS[figure]][int(rest[0])]
    if figure in ("standard_error", "p_value"):
        return place["wald"][figure]
    if figure == "hartung_knapp_standard_error":
        return place["hartung_knapp"]["standard_error"]
    return place[RENAMED.get(figure, figure)]


COLLECTION_NAMES = {
    "proportion/logit": "logit",
    "proportion/arcsine": "arcsine",
    "proportion/double_arcsine": "freeman_tukey",
    "rate/log": "log_rate",
}
TRUNCATED = ("hedges_olkin", "sidik_jonkman")


@pytest.mark.parametrize(
    "record",
    [r for r in certified("pooling_published") if "level 0" not in r["name"]],
    ids=lambda r: r["name"],
)
def test_oracle_agrees_with_the_collection(record: dict[str, object]) -> None:
    """Two 50-digit programs by different hands (status: computed): 13 digits, since one prints doubles."""
    table = published(str(record["table"]))
    prefix = COLLECTION_NAMES.get(str(record["measure"]), str(record["measure"]))
    comparison = Comparison(str(record["name"]))
    for path, value in table["computed"].items():
        head, *rest = path.split("/")
        if head != prefix:
            continue
        ours = look_up(record, rest)
        if ours is None:
            continue
        comparison.check(path, value, ours, 13, scale=mpf(10) ** -3)
    if comparison.checked:
        comparison.close()
    else:
        assert not any(path.startswith(f"{prefix}/") for path in table["computed"])


def test_digits_are_counted_as_described() -> None:
    """Log relative error of the NIST Statistical Reference Datasets; a comparison can fail."""
    assert digits(1.0001, "1") == pytest.approx(4, abs=1e-6)
    assert digits(0.5, "0.5") == 99
    assert digits(1e-5, "0") == pytest.approx(5)
    assert digits(1e-5, "0", scale="0.01") == pytest.approx(3)
    for bad in (None, math.nan, math.inf):
        assert digits(bad, "1") < 0
    comparison = Comparison("must fail")
    comparison.check("figure", 1.0001, "1", 9)
    with pytest.raises(AssertionError, match=r"4\.0 of 9 digits"):
        comparison.close()
    with pytest.raises(AssertionError, match="nothing was compared"):
        Comparison("empty").close()
