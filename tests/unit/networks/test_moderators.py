"""Moderators, study characteristics by comparison, and the comparison-adjusted funnel of networks."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.networks.analysis import Moderator, analyse_network
from metakit.networks.characteristics import characteristic_words, characteristics_by_comparison
from metakit.networks.evidence import direct_estimates
from metakit.networks.funnel import comparison_adjusted_funnel
from metakit.networks.model import fit_part
from metakit.networks.moderators import fit_moderator
from tests.unit.networks import networks


def values_for(arms, seed=0):
    generator = np.random.default_rng(seed)
    return {study: float(generator.uniform(0, 40)) for study in arms.studies}


@pytest.mark.parametrize("form", ["per_technique", "common"])
def test_two_arm_common_effect_equals_stacked_regression_in_statsmodels(form: str) -> None:
    arms = networks.random_network(7, studies=40, largest=2)
    techniques, values = list(arms.techniques), values_for(arms)
    mean = np.mean(list(values.values()))
    design, effect, weight = [], [], []
    for study in arms.studies:
        one, two = (n for n, name in enumerate(arms.study) if name == study)
        line = np.zeros(len(techniques))
        line[techniques.index(arms.technique[two])] = 1
        line[techniques.index(arms.technique[one])] = -1
        basic = line[1:]
        product = basic * (values[study] - mean)
        design.append(np.concatenate((basic, product if form == "per_technique" else [product.sum()])))
        effect.append(arms.value[two] - arms.value[one])
        weight.append(1 / (arms.variance[one] + arms.variance[two]))
    wls = sm.WLS(effect, np.array(design), weights=weight).fit()
    found = fit_moderator(arms, "angle", values, reference="a", form=form, model="common_effect")
    count = len(techniques) - 1
    for place, item in enumerate(found.coefficients):
        assert item.estimate == pytest.approx(wls.params[count + place], rel=1e-9)
        assert item.standard_error == pytest.approx(wls.bse[count + place] / math.sqrt(wls.scale), rel=1e-9)
    assert found.q_residual is not None
    assert found.q_residual.value == pytest.approx(wls.ssr, rel=1e-9)
    assert found.residual_df == wls.df_resid
    at_mean = {item.technique: item for item in found.effects if item.value == pytest.approx(mean)}
    for place, technique in enumerate(techniques[1:]):
        assert at_mean[technique].estimate == pytest.approx(wls.params[place], rel=1e-9)
    at_top = next(item for item in found.effects if item.value == found.highest)
    slope = found.coefficients[0].estimate
    assert at_top.estimate == pytest.approx(wls.params[0] + slope * (found.highest - mean), rel=1e-9)
    wald = wls.params[count:] @ np.linalg.solve(wls.normalized_cov_params[count:, count:], wls.params[count:])
    assert found.test is not None
    assert found.test.value == pytest.approx(wald, rel=1e-8)


def test_multi_arm_random_effects_equal_brute_force_at_their_tau2() -> None:
    arms = networks.random_network(4, studies=25, largest=3)
    values, techniques = values_for(arms, 1), list(arms.techniques)
    found = fit_moderator(arms, "angle", values, reference="a")
    mean = np.mean(list(values.values()))
    rows, effect, blocks = [], [], []
    for study in arms.studies:
        base, *others = (n for n, name in enumerate(arms.study) if name == study)
        for n in others:
            line = np.zeros(len(techniques))
            line[techniques.index(arms.technique[n])] += 1
            line[techniques.index(arms.technique[base])] -= 1
            rows.append(np.concatenate((line[1:], line[1:] * (values[study] - mean))))
            effect.append(arms.value[n] - arms.value[base])
        size = len(others)
        shared = found.tau2 / 2 * (np.eye(size) + 1)
        blocks.append(np.diag(arms.variance[others]) + arms.variance[base] + shared)
    sigma, at = np.zeros((len(effect), len(effect))), 0
    for block in blocks:
        sigma[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    gls = sm.GLS(effect, np.array(rows), sigma=sigma).fit()
    errors = np.sqrt(np.diag(gls.normalized_cov_params))
    for place, item in enumerate(found.coefficients):
        assert item.estimate == pytest.approx(gls.params[len(techniques) - 1 + place], rel=1e-8)
        assert item.standard_error == pytest.approx(errors[len(techniques) - 1 + place], rel=1e-8)


def test_guards_speak_in_words() -> None:
    arms = networks.random_network(7, studies=12, techniques="abc", largest=2)
    values = values_for(arms)
    few = fit_moderator(
        arms, "angle", {**values, "s0": None, "s1": None, "s2": None}, reference="a", form="common"
    )
    assert {item.study for item in few.set_aside} == {"s0", "s1", "s2"}
    assert any("s0, s1, s2" in note for note in few.notes)
    assert any("fewer than 10" in note for note in few.notes)
    with pytest.raises(NotEstimableError, match="residual degrees of freedom"):
        fit_moderator(arms, "angle", {f"s{n}": values[f"s{n}"] for n in range(5)}, reference="a")
    with pytest.raises(NotEstimableError, match="in every study"):
        fit_moderator(arms, "angle", dict.fromkeys(values, 20.0), reference="a")
    with pytest.raises(NotEstimableError, match="no study of this network has a value"):
        fit_moderator(arms, "angle", {}, reference="a")
    with pytest.raises(UnknownNameError, match="per_technique"):
        fit_moderator(arms, "angle", values, reference="a", form="each")
    with pytest.raises(UsageError, match="moderators go with"):
        fit_moderator(arms, "angle", values, reference="a", model="mantel_haenszel")


def test_a_comparison_without_variation_has_no_coefficient_and_says_why() -> None:
    # c is compared only where the angle is 10, so nothing tells how c changes with it
    study, technique, values = [], [], {}
    for number in range(8):
        study += [f"s{number}"] * 2
        technique += ["a", "b"]
        values[f"s{number}"] = 5.0 * number
    for number in (8, 9):
        study += [f"s{number}"] * 2
        technique += ["a", "c"]
        values[f"s{number}"] = 10.0
    generator = np.random.default_rng(1)
    arms = networks.arms_of_values(study, technique, generator.normal(0, 1, 20), [0.2] * 20)
    found = {
        item.technique: item for item in fit_moderator(arms, "angle", values, reference="a").coefficients
    }
    assert found["b"].estimate is not None
    assert found["c"].estimate is None
    assert found["c"].reason == "angle does not vary among the studies that would tell"


def test_analysis_carries_moderator_characteristics_and_funnel() -> None:
    arms = networks.random_network(2, studies=20, techniques="abc")
    values = values_for(arms)
    answer = analyse_network(
        arms, reference="a", moderator=Moderator(name="angle", values=values),
        characteristics={"angle": values}, order=("a", "b", "c"),
    ).to_json()  # fmt: skip
    assert [item["technique"] for item in answer["moderator"]["coefficients"]] == ["b", "c"]
    assert {row["name"] for row in answer["characteristics"]} == {"angle"}
    assert answer["comparison_adjusted_funnel"]["order"] == ["a", "b", "c"]


def test_characteristics_describe_numbers_and_words_by_comparison() -> None:
    arms = networks.arms_of_values(
        ["1", "1", "2", "2", "3", "3", "3"], ["a", "b", "a", "b", "a", "b", "c"], np.zeros(7), [0.1] * 7
    )
    rows = characteristics_by_comparison(
        arms,
        {
            "year": {"1": 2001.0, "2": 2005.0, "3": None},
            "design": {"1": "cohort", "2": "cohort", "3": "trial"},
        },
    )
    year, design = (
        next(r for r in rows if (r.name, r.technique, r.comparator) == (n, "a", "b"))
        for n in ("year", "design")
    )
    assert (year.mean, year.lowest, year.highest, year.known, year.studies) == (2003.0, 2001.0, 2005.0, 2, 3)
    assert year.missing == ("3",)
    assert characteristic_words(year) == "2003 (2001 to 2005) in 2 of 3 studies"
    assert design.counts == (("cohort", 2), ("trial", 1))
    alone = next(r for r in rows if (r.name, r.comparator) == ("year", "c"))
    assert characteristic_words(alone) == "no value in 0 of 1 study"


def test_funnel_centres_each_contrast_on_its_comparison() -> None:
    arms = networks.random_network(8, studies=30, techniques="abc", largest=2)
    part = fit_part(arms)
    found = comparison_adjusted_funnel(part, ("c", "a", "b"))
    direct = direct_estimates(part)
    order = "cab"
    for item in found.contrasts:
        assert order.index(item.technique) > order.index(item.comparator)
    # weighted by the model's own weights the centred contrasts of a comparison add up to zero
    for pair in {(item.technique, item.comparator) for item in found.contrasts}:
        members = [item for item in found.contrasts if (item.technique, item.comparator) == pair]
        weights = np.array([1 / (item.standard_error**2 + part.tau2) for item in members])
        assert weights @ [item.centred for item in members] == pytest.approx(0.0, abs=1e-9)
        sign = 1 if pair in direct else -1
        assert members[0].comparison_mean == pytest.approx(sign * direct[tuple(sorted(pair))].estimate)
    assert not any("fewer than 10" in note for note in found.notes)
    small = fit_part(networks.random_network(8, studies=5, techniques="ab", largest=2))
    assert any("fewer than 10" in note for note in comparison_adjusted_funnel(small, ("a", "b")).notes)
    with pytest.raises(UsageError, match="left out: b"):
        comparison_adjusted_funnel(part, ("c", "a"))
    with pytest.raises(UnknownNameError):
        comparison_adjusted_funnel(part, ("c", "a", "d"))
