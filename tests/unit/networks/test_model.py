"""The network model against published examples, brute-force generalised least squares and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from metakit.errors import DataError, NotEstimableError, UnknownNameError
from metakit.models.pool import pool
from metakit.networks.arms import arms_from_counts_or_means
from metakit.networks.components import fit_components
from metakit.networks.evidence import contributions, direct_estimates
from metakit.networks.inconsistency import inconsistency
from metakit.networks.model import connected_parts, estimate_tau2, fit_part, membership
from metakit.networks.ranking import rank
from metakit.networks.thresholds import thresholds
from metakit.numerics.networks import arm_regression as kernel
from tests.unit.networks import networks


def contrast_form(arms, techniques, tau2):
    """Brute force: contrasts against each study's first arm, block covariance, generalised least squares."""
    blocks, design, values = [], [], []
    for study in arms.studies:
        rows = [n for n, name in enumerate(arms.study) if name == study]
        base, others = rows[0], rows[1:]
        for row in others:
            line = np.zeros(len(techniques))
            line[techniques.index(arms.technique[row])] += 1
            line[techniques.index(arms.technique[base])] -= 1
            design.append(line)
            values.append(arms.value[row] - arms.value[base])
        size = len(others)
        blocks.append(
            np.diag(arms.variance[others])
            + arms.variance[base]
            + tau2 / 2 * (np.eye(size) + np.ones((size, size)))
        )
    n = len(values)
    sigma = np.zeros((n, n))
    at = 0
    for block in blocks:
        sigma[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    x, y = np.array(design)[:, 1:], np.array(values)
    inverse = np.linalg.inv(sigma)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    residual = y - x @ beta
    reml = -0.5 * (
        np.linalg.slogdet(sigma)[1] + np.linalg.slogdet(information)[1] + residual @ inverse @ residual
    )
    return beta, np.linalg.inv(information), float(residual @ inverse @ residual), reml


# NICE DSU Technical Support Document 2, Parkinson example, fixed effect: posterior means and standard deviations
# under vague priors (status: memory), so tolerance is their Monte Carlo error and printed precision.
PUBLISHED = {"2": (-1.81, 0.33), "3": (-0.47, 0.49), "4": (-0.52, 0.48), "5": (-0.82, 0.52)}


@pytest.mark.parametrize("technique", PUBLISHED)
def test_parkinson_common_effect(technique: str) -> None:
    part = fit_part(networks.parkinson(), model="common_effect")
    found = part.contrast(technique, "1")
    estimate, deviation = PUBLISHED[technique]
    assert found.estimate == pytest.approx(estimate, abs=0.015)
    assert found.standard_error == pytest.approx(deviation, abs=0.01)
    assert part.contrast("1", technique).estimate == -found.estimate


def test_smoking_cessation_random_effects() -> None:
    # Dias et al., NICE DSU TSD 2 (and TSD 4), smoking cessation, random effects: posterior mean log odds ratios
    # 0.49, 0.84, 1.10 and between-trial deviation 0.82-0.84 (status: memory). Those use the binomial likelihood and
    # vague priors; empirical logits with 0.5 added to the two zero studies shrink both, so two thirds of a posterior
    # deviation of the effects and a quarter of the between-trial deviation are allowed. The exact numbers are held by the
    # brute-force tests below.
    arms = arms_from_counts_or_means("odds_ratio", *networks.smoking_rows())
    (part,) = connected_parts(arms)
    fit = fit_part(part)
    for technique, published, deviation in (("B", 0.49, 0.40), ("C", 0.84, 0.24), ("D", 1.10, 0.44)):
        found = fit.contrast(technique, "A")
        assert found.estimate == pytest.approx(published, abs=0.65 * deviation)
        assert found.standard_error == pytest.approx(deviation, rel=0.25)
    assert math.sqrt(fit.tau2) == pytest.approx(0.82, rel=0.25)
    assert {entry.study for entry in arms.assumptions} == {"6", "15"}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("tau2", [0.0, 0.07])
def test_arm_form_equals_brute_force_contrast_form(seed: int, tau2: float) -> None:
    arms = networks.random_network(seed, largest=4)
    techniques = list(arms.techniques)
    beta, covariance, q, _ = contrast_form(arms, techniques, tau2)
    x = membership(arms, techniques)
    fit = kernel.fit_arms(x, arms.study_index, arms.value, arms.variance, tau2)
    assert fit.coefficients[1:] - fit.coefficients[0] == pytest.approx(beta, rel=1e-9, abs=1e-11)
    turn = np.hstack((-np.ones((len(techniques) - 1, 1)), np.eye(len(techniques) - 1)))
    assert turn @ fit.covariance @ turn.T == pytest.approx(covariance, rel=1e-9)
    assert fit.q == pytest.approx(q, rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_reml_maximises_the_brute_force_restricted_likelihood(seed: int) -> None:
    arms = networks.random_network(seed)
    techniques = list(arms.techniques)
    best, _ = estimate_tau2(membership(arms, techniques), arms, "reml")
    at = contrast_form(arms, techniques, best)[3]
    for factor in (0.5, 0.9, 0.99, 1.01, 1.1, 2.0):
        assert contrast_form(arms, techniques, best * factor + (1e-3 if best == 0 else 0.0))[3] <= at + 1e-10


def test_two_arm_network_equals_stacked_regression_in_statsmodels() -> None:
    arms = networks.random_network(7, largest=2)
    techniques = list(arms.techniques)
    design, value, weight = [], [], []
    for study in arms.studies:
        one, two = (n for n, name in enumerate(arms.study) if name == study)
        line = np.zeros(len(techniques))
        line[techniques.index(arms.technique[two])] = 1
        line[techniques.index(arms.technique[one])] = -1
        design.append(line[1:])
        value.append(arms.value[two] - arms.value[one])
        weight.append(1 / (arms.variance[one] + arms.variance[two]))
    wls = sm.WLS(value, np.array(design), weights=weight).fit()
    part = fit_part(arms, model="common_effect")
    for place, technique in enumerate(techniques[1:]):
        found = part.contrast(technique, techniques[0])
        assert found.estimate == pytest.approx(wls.params[place], rel=1e-9)
        assert found.standard_error == pytest.approx(wls.bse[place] / math.sqrt(wls.scale), rel=1e-9)
    assert part.q is not None
    assert part.q.value == pytest.approx(wls.ssr, rel=1e-9)


def test_star_network_equals_pairwise_results() -> None:
    generator = np.random.default_rng(3)
    study, technique, value, variance = [], [], [], []
    for number in range(8):
        study += [f"s{number}"] * 2
        technique += ["hub", "b" if number < 4 else "c"]
        value += list(generator.normal(0, 1, 2))
        variance += list(generator.uniform(0.1, 0.3, 2))
    arms = networks.arms_of_values(study, technique, value, variance)
    part = fit_part(arms, model="common_effect")
    for spoke, first in (("b", 0), ("c", 8)):
        effect = [value[n + 1] - value[n] for n in range(first, first + 8, 2)]
        spread = [variance[n + 1] + variance[n] for n in range(first, first + 8, 2)]
        alone = pool(effect=effect, variance=spread, model="common_effect")
        found = part.contrast(spoke, "hub")
        assert found.estimate == pytest.approx(alone.estimate, rel=1e-10)
        assert found.standard_error == pytest.approx(alone.standard_error, rel=1e-10)
    assert not inconsistency(part).splits


def test_moment_tau2_of_one_comparison_is_dersimonian_laird() -> None:
    arms = networks.random_network(5, techniques="ab", largest=2)
    signs = {"a": -1, "b": 1}
    effect, variance = {}, {}
    for study, name, value, spread in zip(arms.study, arms.technique, arms.value, arms.variance, strict=True):
        effect[study] = effect.get(study, 0.0) + signs[name] * value
        variance[study] = variance.get(study, 0.0) + spread
    alone = pool(
        effect=list(effect.values()),
        variance=list(variance.values()),
        model="random_effects",
        tau2="dersimonian_laird",
    )
    part = fit_part(arms, tau2="dersimonian_laird")
    assert part.tau2 == pytest.approx(alone.heterogeneity.tau2, rel=1e-9)
    assert part.contrast("b", "a").estimate == pytest.approx(alone.estimate, rel=1e-9)


def test_q_adds_up_and_splits_agree_with_brute_force() -> None:
    part = fit_part(networks.parkinson(), model="common_effect")
    found = inconsistency(part)
    assert part.q is not None and found.within_designs is not None and found.between_designs is not None
    assert found.within_designs.value + found.between_designs.value == pytest.approx(part.q.value, rel=1e-9)
    assert found.within_designs.df + found.between_designs.df == part.q.df
    split = {(s.technique, s.comparator): s for s in found.splits}
    assert ("4", "5") not in split
    # 1 against 3: direct evidence is trial 1 alone; indirect is the network without it.
    arms = networks.parkinson()
    without = arms.select(np.array([name != "1" for name in arms.study]))
    indirect = fit_part(without, model="common_effect").contrast("1", "3")
    one = split["1", "3"]
    assert one.direct == pytest.approx(-1.22 + 1.53)
    assert one.direct_error == pytest.approx(math.hypot(0.504, 0.439))
    assert (one.indirect, one.indirect_error) == pytest.approx((indirect.estimate, indirect.standard_error))
    assert one.difference == pytest.approx(one.direct - one.indirect)


def test_contributions_add_up_and_direct_share_is_their_two_arm_case() -> None:
    part = fit_part(networks.random_network(2))
    shares = contributions(part)
    assert shares.by_study.sum(axis=1) == pytest.approx(1.0)
    assert shares.by_design.sum(axis=1) == pytest.approx(1.0)
    assert (shares.by_study >= 0).all()
    assert all(0 < row.share <= 1 for row in direct_estimates(part).values())
    star = fit_part(networks.random_network(5, techniques="ab", largest=2))
    assert direct_estimates(star)["a", "b"].share == pytest.approx(1.0)


def test_ranking_agrees_with_the_normal_probability_for_two_techniques() -> None:
    part = fit_part(networks.random_network(5, techniques="ab", largest=2))
    contrast = part.contrast("a", "b")
    expected = 0.5 * math.erfc(contrast.estimate / contrast.standard_error / math.sqrt(2))
    found = rank(part, lower_is_better=True)
    assert found.p_scores[0] == pytest.approx(expected, abs=1e-12)
    assert found.rank_probabilities[0, 0] == pytest.approx(
        expected, abs=0.005
    )  # 100,000 draws: s.e. below 0.0016
    assert found.rank_probabilities.sum(axis=0) == pytest.approx(1.0)
    assert found.rank_probabilities.sum(axis=1) == pytest.approx(1.0)


def test_thresholds_move_the_best_technique_exactly_there() -> None:
    arms = networks.random_network(1)
    part = fit_part(arms, model="common_effect")
    best = part.techniques[int(np.argmin(part.effects))]
    first = thresholds(part, lower_is_better=True)[0]
    row = next(
        n
        for n in range(len(arms.study))
        if (arms.study[n], arms.technique[n]) == (first.study, first.technique)
    )
    shift, other = (first.up, first.next_up) if first.up < -first.down else (first.down, first.next_down)
    for factor, expected in ((0.999, best), (1.001, other)):
        value = arms.value.copy()
        value[row] += factor * shift
        moved = fit_part(
            networks.arms_of_values(arms.study, arms.technique, value, arms.variance), model="common_effect"
        )
        assert moved.techniques[int(np.argmin(moved.effects))] == expected


def test_saturated_components_equal_the_full_network() -> None:
    arms = networks.random_network(4)
    full, model = fit_part(arms), fit_components(arms)
    assert model.tau2 == pytest.approx(full.tau2, rel=1e-8)
    found = model.predict(["b"], ["a"])
    contrast = full.contrast("b", "a")
    assert (found.estimate, found.standard_error) == pytest.approx(
        (contrast.estimate, contrast.standard_error), rel=1e-8
    )
    assert model.additivity is None


def test_additivity_and_predictions_of_unstudied_sets() -> None:
    generator = np.random.default_rng(9)
    sets = ["t", "t+l", "t+l+i", "t+i", "t+s"]
    truth = {"t": 0.0, "l": -0.4, "i": 0.3, "s": 0.1}
    study, technique, value, variance = [], [], [], []
    for number in range(60):
        for name in generator.choice(sets, size=2, replace=False):
            study.append(f"s{number}")
            technique.append(str(name))
            variance.append(0.01)
            value.append(sum(truth[part] for part in str(name).split("+")) + generator.normal(0, 0.1))
    arms = networks.arms_of_values(study, technique, value, variance)
    model = fit_components(arms, model="common_effect")
    by_name = {effect.component: effect for effect in model.effects}
    assert by_name["t"].estimate is None and "cancels" in " ".join(model.notes)
    for name in "lis":
        assert by_name[name].estimate == pytest.approx(truth[name], abs=0.12)
    full = fit_part(arms, model="common_effect")
    assert model.q is not None and full.q is not None and model.additivity is not None
    assert model.additivity.value == pytest.approx(model.q.value - full.q.value, rel=1e-9)
    assert model.additivity.df == 1
    new = model.predict(["t", "s", "l"], ["t"])
    assert not new.studied
    assert new.estimate == pytest.approx(by_name["l"].estimate + by_name["s"].estimate)
    assert model.predict(["t", "l"], ["t"]).studied


def test_tied_components_are_named_and_not_estimated() -> None:
    arms = networks.arms_of_values(
        ["1", "1", "2", "2", "3", "3"],
        ["t", "t+l+i", "t", "t+l+i", "t", "t+s"],
        [0.0, 0.5, 0.1, 0.4, 0.0, 0.2],
        [0.1] * 6,
    )
    model = fit_components(arms)
    by_name = {effect.component: effect for effect in model.effects}
    assert by_name["l"].estimate is None and by_name["l"].tied_with == ("i",)
    assert by_name["s"].estimate == pytest.approx(0.2)
    with pytest.raises(NotEstimableError, match="tell apart"):
        model.predict(["t", "l"], ["t"])
    assert model.predict(["t", "l", "i"], ["t"]).estimate == pytest.approx(0.4)


def test_disconnected_parts_are_named_and_components_bridge_them_with_a_warning() -> None:
    arms = networks.arms_of_values(
        ["1", "1", "2", "2"], ["t", "t+l", "d", "d+l"], [0.0, 0.5, 0.1, 0.4], [0.1] * 4
    )
    assert [part.techniques for part in connected_parts(arms)] == [("d", "d+l"), ("t", "t+l")]
    with pytest.raises(NotEstimableError, match="not connected"):
        fit_part(arms)
    model = fit_components(arms)
    assert any("additivity" in note for note in model.notes)
    assert {e.component: e.estimate for e in model.effects}["l"] == pytest.approx(0.4)


def test_awkward_rows() -> None:
    with pytest.raises(DataError) as caught:
        arms_from_counts_or_means("odds_ratio", ["a", "a"], ["x", "y"], {"events": [5, -1], "total": [4, 9]})
    assert len(caught.value.problems) == 2
    with pytest.raises(UnknownNameError, match="odds_ratio"):
        arms_from_counts_or_means("odds_ration", ["a"], ["x"], {"events": [1], "total": [4]})
    with pytest.raises(NotEstimableError, match="only one technique"):
        arms_from_counts_or_means("odds_ratio", ["a"], ["x"], {"events": [1], "total": [4]})
    arms = arms_from_counts_or_means(
        "odds_ratio",
        ["a", "a", "a", "b", "b"],
        ["x", "x", "y", "x", "y"],
        {"events": [1, 2, 3, 0, 0], "total": [10, 12, 20, 9, 9]},
    )
    assert arms.data["events"].tolist() == [3, 3]
    assert arms.data["total"].tolist() == [22, 20]
    assert "combined" in str(arms.assumptions[0])
    assert [(item.study, "no events" in item.reason) for item in arms.set_aside] == [("b", True)]
