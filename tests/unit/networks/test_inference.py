"""Networks under the default rule: the half-normal integral and the Hartung-Knapp form.

Checked against the pairwise kernels (a network of two techniques is a pairwise analysis), against dense algebra by
scipy, and on a published network (Parkinson, NICE DSU TSD 2, data in networks.py).
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import special, stats

from metakit.errors import NotEstimableError, UnknownNameError
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.networks.analysis import analyse_network
from metakit.networks.arms import BY_SIZE, arms_from_counts_or_means
from metakit.networks.evidence import direct_estimates
from metakit.networks.inconsistency import inconsistency
from metakit.networks.inference import fit_part_half_normal, fit_part_hartung_knapp, spread_scale
from metakit.networks.model import fit_part, membership
from metakit.networks.ranking import rank
from metakit.numerics.networks import arm_regression as kernel
from metakit.numerics.posteriors.half_normal_effects import half_normal_effects
from tests.unit.networks.networks import arms_of_values, parkinson, smoking_rows

COUNTS = {
    "study": ["s1", "s2", "s3", "s4", "s5"],
    "events_1": [3, 0, 7, 2, 5],
    "total_1": [40, 25, 60, 31, 50],
    "events_2": [5, 2, 9, 2, 12],
    "total_2": [42, 50, 58, 30, 47],
}


def two_techniques(measure: str = "risk_ratio"):
    study = [name for name in COUNTS["study"] for _ in range(2)]
    events = [x for pair in zip(COUNTS["events_1"], COUNTS["events_2"], strict=True) for x in pair]
    total = [x for pair in zip(COUNTS["total_1"], COUNTS["total_2"], strict=True) for x in pair]
    return arms_from_counts_or_means(measure, study, ["new", "old"] * 5, {"events": events, "total": total})


@pytest.mark.parametrize("measure", ["risk_ratio", "odds_ratio"])
def test_two_techniques_are_a_pairwise_analysis(measure: str) -> None:
    """Same data, same correction, same likelihood: to 1e-9, and 1e-6 is what is asked of normal effects."""
    import pandas as pd

    table = effect_sizes(pd.DataFrame(COUNTS), measure=measure, zero_cells="treatment_arm")
    pair = half_normal_effects(table.effect, table.variance)
    (item,) = analyse_network(two_techniques(measure), reference="old").parts
    contrast = item.part.contrast("new", "old")
    assert contrast.estimate == pytest.approx(float(pair.median), abs=1e-9)
    assert contrast.interval == pytest.approx((float(pair.lower), float(pair.upper)), abs=1e-9)
    assert contrast.prediction == pytest.approx((float(pair.new_lower), float(pair.new_upper)), abs=1e-9)
    assert math.sqrt(item.part.tau2) == pytest.approx(float(pair.tau), abs=1e-9)
    beside = item.beside["hartung_knapp"].contrast("new", "old")
    named = pool(table, model="random_effects", tau2="reml", interval="hartung_knapp_floor")
    assert (beside.estimate, *beside.interval) == pytest.approx(
        (named.estimate, *named.interval), rel=1e-7, abs=1e-9
    )
    assert [step.rule for step in analyse_network(two_techniques(measure)).arms.assumptions] == [BY_SIZE]


def test_swapping_techniques_negates_and_the_other_rule_swaps_places() -> None:
    (item,) = analyse_network(two_techniques(), reference="old").parts
    one, other = item.part.contrast("new", "old"), item.part.contrast("old", "new")
    assert other.interval == (-one.interval.upper, -one.interval.lower)
    (turned,) = analyse_network(two_techniques(), inference="hartung_knapp").parts
    assert turned.part.inference == "hartung_knapp"
    assert turned.beside["half_normal"].contrast("new", "old") == one


def test_naming_a_model_or_an_estimator_computes_exactly_that() -> None:
    arms = two_techniques()
    for asked in ({"model": "random_effects"}, {"tau2": "reml"}):
        (item,) = analyse_network(arms, **asked).parts
        assert item.part.inference == "" and item.beside == {}
        plain = fit_part(arms)
        assert item.part.contrast("new", "old") == plain.contrast("new", "old")
    with pytest.raises(UnknownNameError, match="half_normal"):
        analyse_network(arms, inference="half-normal")


def test_hartung_knapp_errors_follow_their_definition_on_a_published_network() -> None:
    """Jackson & Riley 2014: REML covariance times residual Q over its degrees of freedom, here floored at 1."""
    arms = parkinson()
    part, plain = fit_part_hartung_knapp(arms), fit_part(arms)
    q = kernel.fit_arms(
        membership(arms, arms.techniques), arms.study_index, arms.value, arms.variance, plain.tau2
    ).q
    factor = max(1.0, q / plain.df)
    for technique in "2345":
        one, other = part.contrast(technique, "1"), plain.contrast(technique, "1")
        assert one.estimate == pytest.approx(other.estimate, abs=1e-12)
        half = stats.t.ppf(0.975, plain.df) * math.sqrt(factor) * other.standard_error
        assert one.interval.upper - one.estimate == pytest.approx(half, rel=1e-12)
        assert one.interval.lower <= other.interval.lower


def test_intervals_ranks_and_tails_come_from_one_posterior() -> None:
    part = fit_part_half_normal(parkinson(), scale=1.0)
    ranking = rank(part, lower_is_better=True)
    names = part.techniques
    for i, j in itertools.combinations(range(len(names)), 2):
        contrast = part.contrast(names[i], names[j])
        row = np.zeros((1, len(names)))
        row[0, i], row[0, j] = 1.0, -1.0
        mixture = part.posterior.contrasts(row)
        assert float(mixture.tail_above(np.array([contrast.interval.upper]))[0]) == pytest.approx(0.025)
        assert float(mixture.tail_above(np.array([contrast.estimate]))[0]) == pytest.approx(0.5)
        assert contrast.prediction.lower < contrast.interval.lower < contrast.estimate
    better = np.array(
        [
            [0.0 if i == j else _below_zero(part, names[i], names[j]) for j in range(len(names))]
            for i in range(len(names))
        ]
    )
    assert ranking.p_scores == pytest.approx(better.sum(axis=1) / (len(names) - 1), abs=1e-12)
    # mean ranks are 1 plus the expected number of better techniques; 100,000 draws leave an error of about 0.005
    assert ranking.mean_ranks == pytest.approx(1 + better.sum(axis=0), abs=0.02)


def _below_zero(part, one: str, two: str) -> float:
    row = np.zeros((1, len(part.techniques)))
    row[0, part.techniques.index(one)], row[0, part.techniques.index(two)] = 1.0, -1.0
    return 1 - float(part.posterior.contrasts(row).tail_above(np.zeros(1))[0])


def test_direct_and_indirect_evidence_make_the_networks_estimate_at_every_tau() -> None:
    """Two-arm loop: given tau, precisions of direct and indirect evidence add up to the network's."""
    study = [f"s{n}" for n in range(6) for _ in range(2)]
    technique = ["a", "b", "b", "c", "a", "c"] * 2
    rng = np.random.default_rng(3)
    arms = arms_of_values(study, technique, rng.normal(size=12), rng.uniform(0.05, 0.2, 12))
    part = fit_part_half_normal(arms, scale=0.5)
    found = direct_estimates(part)["a", "b"]
    tau, weight = part.posterior.given.tau, part.posterior.weight
    means, variances = [], []
    for value in tau:
        others = arms.select(np.array([name not in ("s0", "s3") for name in arms.study]))
        x = membership(others, others.techniques)
        fit = kernel.fit_arms(x, others.study_index, others.value, others.variance, value**2)
        means.append(fit.coefficients[0] - fit.coefficients[1])
        variances.append(fit.covariance[0, 0] + fit.covariance[1, 1] - 2 * fit.covariance[0, 1])
    means, deviations = np.array(means), np.sqrt(variances)
    below = float(weight @ special.ndtr((found.indirect - means) / deviations))
    assert below == pytest.approx(0.5, abs=1e-9)
    low = float(weight @ special.ndtr((found.indirect_interval.lower - means) / deviations))
    assert low == pytest.approx(0.025, abs=1e-9)
    assert 0 < found.share < 1


@pytest.mark.lengthy
def test_splits_and_the_interaction_agree_with_dense_regressions() -> None:
    """Each split is its own regression: one more column, half in either arm of the studies with both."""
    arms, scale = parkinson(), 0.5
    part = fit_part_half_normal(arms, scale=scale)
    found = inconsistency(part)
    assert found.splits
    for split in found.splits:
        x = membership(arms, arms.techniques)
        column = np.zeros(len(arms.study))
        for name in arms.studies:
            rows = [n for n, study in enumerate(arms.study) if study == name]
            held = {arms.technique[n]: n for n in rows}
            if {split.technique, split.comparator} <= set(held):
                column[held[split.technique]], column[held[split.comparator]] = 0.5, -0.5
        wide = np.column_stack((x, column))
        tau = np.linspace(0, 8 * scale, 20_001)
        tau[0] = 1e-9
        fit = kernel.fit_arms_given_tau(wide, arms.study_index, arms.value, arms.variance, tau)
        level = fit.log_likelihood - 0.5 * (tau / scale) ** 2
        height = np.exp(level - level.max())
        height[[0, -1]] /= 2
        height /= height.sum()
        # the column differs within studies, so that its coefficient is estimable by itself
        mean, deviation = fit.coefficients[:, -1], np.sqrt(fit.covariance[:, -1, -1])
        assert height @ special.ndtr((split.difference - mean) / deviation) == pytest.approx(0.5, abs=1e-7)
        below = height @ special.ndtr((split.interval.lower - mean) / deviation)
        assert below == pytest.approx(0.025, abs=1e-7)
        tail = float(height @ special.ndtr(-mean / deviation))
        assert split.p_value == pytest.approx(2 * min(tail, 1 - tail), abs=1e-7)
    assert found.design_by_treatment is not None
    assert 0 < found.design_by_treatment.p_value < 1


def test_smoking_cessation_holds_its_published_bayesian_answer() -> None:
    """NICE DSU TSD 2, random-effects model (status: memory): C against A log odds ratio 0.84, tau 0.82.

    Binomial likelihood and a vague prior there; normal likelihood, corrected zero arms and a half-normal prior here
    give 0.69 and 0.68, so that the published values are asked to lie inside the intervals, and no closer.
    """
    arms = arms_from_counts_or_means("odds_ratio", *smoking_rows())
    (item,) = analyse_network(arms, reference="A").parts
    contrast = item.part.contrast("C", "A")
    assert 0 < contrast.interval.lower < 0.84 < contrast.interval.upper
    assert math.sqrt(item.part.tau2_interval.lower) < 0.82 < math.sqrt(item.part.tau2_interval.upper)


def test_scale_of_a_mean_difference_is_half_a_pooled_standard_deviation_and_others_have_none() -> None:
    data = {"mean": [1.0, 2.0], "sd": [3.0, 5.0], "total": [11.0, 21.0]}
    arms = arms_from_counts_or_means("mean_difference", ["s", "s"], ["a", "b"], data)
    assert spread_scale(arms) == pytest.approx(0.5 * math.sqrt((10 * 9 + 20 * 25) / 30))
    difference = two_techniques("risk_difference")
    assert spread_scale(difference) is None
    found = analyse_network(difference)
    assert found.parts[0].part.inference == "hartung_knapp"
    assert any("No prior" in note for note in found.notes)


def test_few_studies_show_twice_the_spread_and_too_few_have_no_hartung_knapp() -> None:
    arms = two_techniques()
    three = arms.select(np.array([name in ("s1", "s3", "s5") for name in arms.study]))
    (item,) = analyse_network(three).parts
    wide = item.beside["twice_the_spread"].contrast("new", "old")
    narrow = item.part.contrast("new", "old")
    assert wide.interval.lower < narrow.interval.lower < narrow.interval.upper < wide.interval.upper
    two = arms.select(np.array([name in ("s1", "s3") for name in arms.study]))
    (item,) = analyse_network(two).parts
    assert "hartung_knapp" not in item.beside
    with pytest.raises(NotEstimableError, match="half_normal"):
        analyse_network(two, inference="hartung_knapp")


def test_every_comparison_by_one_study_rests_on_the_prior_and_says_so() -> None:
    study, technique = ["s1", "s1", "s2", "s2"], ["a", "b", "a", "c"]
    arms = arms_of_values(study, technique, [0.1, 0.4, 0.0, 0.3], [0.04] * 4)
    part = fit_part_half_normal(arms, scale=0.5)
    # nothing is known of tau: its posterior is its prior, whose median is 0.6745 scales
    assert math.sqrt(part.tau2) == pytest.approx(0.5 * float(stats.norm.ppf(0.75)), abs=1e-9)


def test_components_integrate_the_spread_as_the_network_does() -> None:
    """With one component apart the additive model is the network of two techniques."""
    arms = two_techniques()
    renamed = arms_from_counts_or_means(
        "risk_ratio",
        arms.study,
        ["base+tendon" if name == "new" else "base" for name in arms.technique],
        {name: list(column) for name, column in arms.data.items()},
    )
    found = analyse_network(renamed, components=True)
    effect = next(item for item in found.components.effects if item.component == "tendon")
    contrast = found.parts[0].part.contrast("base+tendon", "base")
    assert (effect.estimate, *effect.interval) == pytest.approx(
        (contrast.estimate, *contrast.interval), abs=1e-9
    )
    answer = found.to_json()
    assert answer["inference"] == "half_normal"
    assert answer["comparisons"][0]["beside"]["hartung_knapp"]["interval"]
