"""All comparisons split at once against each split alone, with a tau2 of its own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from metakit.networks.inconsistency import design_of, direct_pairs, inconsistency
from metakit.networks.model import estimate_tau2, fit_part, membership
from metakit.networks.splitting import indirect_evidence, split_estimates
from metakit.numerics.networks import arm_regression as kernel
from tests.unit.networks import networks


def side_column(arms, one, two):
    members = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    sides = {one: 0.5, two: -0.5}
    return np.array(
        [
            sides.get(technique, 0.0) if {one, two} <= members[study] else 0.0
            for study, technique in zip(arms.study, arms.technique, strict=True)
        ]
    )


@pytest.mark.parametrize("estimator", ["reml", "dersimonian_laird", None])
@pytest.mark.parametrize("seed", range(4))
def test_every_split_equals_its_own_regression(seed: int, estimator: str | None) -> None:
    arms = networks.random_network(seed, studies=40, techniques="abcdefg", largest=4)
    # studies that differ more, so that tau2 is above zero in most splits
    arms = networks.arms_of_values(
        arms.study, arms.technique, arms.value + np.random.default_rng(seed).normal(0, 0.5, len(arms.study)),
        arms.variance,
    )  # fmt: skip
    pairs = direct_pairs(arms)
    found = split_estimates(arms, pairs, estimator=estimator)
    x = membership(arms, arms.techniques)
    positive = 0
    for n, (one, two) in enumerate(pairs):
        wide = np.column_stack((x, side_column(arms, one, two)))
        common = kernel.fit_arms(wide, arms.study_index, arms.value, arms.variance)
        assert bool(found.splittable[n]) == (common.rank > len(arms.techniques) - 1)
        if not found.splittable[n]:
            continue
        tau2 = estimate_tau2(wide, arms, estimator)[0] if estimator else 0.0
        positive += tau2 > 0
        fit = kernel.fit_arms(wide, arms.study_index, arms.value, arms.variance, tau2)
        row = np.zeros(wide.shape[1])
        row[arms.techniques.index(one)], row[arms.techniques.index(two)] = 1.0, -1.0
        assert found.tau2[n] == pytest.approx(tau2, rel=1e-9, abs=1e-12)
        assert found.difference[n] == pytest.approx(fit.coefficients[-1], rel=1e-9, abs=1e-11)
        assert found.difference_variance[n] == pytest.approx(fit.covariance[-1, -1], rel=1e-9)
        assert found.indirect[n] == pytest.approx(row @ fit.coefficients, rel=1e-9, abs=1e-11)
        assert found.indirect_variance[n] == pytest.approx(row @ fit.covariance @ row, rel=1e-9)
        assert found.covariance[n] == pytest.approx(float((fit.covariance @ row)[-1]), rel=1e-8, abs=1e-12)
    if estimator:
        assert positive > 5


def test_restricted_likelihood_of_tiny_variances_is_split_alone() -> None:
    # One study a million times more precise: near tau2 = 0 the score is not smooth on the scale of the others.
    arms = networks.random_network(3, studies=20, techniques="abcd")
    variance = arms.variance.copy()
    variance[:2] = 1e-9
    arms = networks.arms_of_values(arms.study, arms.technique, arms.value * 0.05, variance)
    pairs = direct_pairs(arms)
    found = split_estimates(arms, pairs, estimator="reml")
    x = membership(arms, arms.techniques)
    for n, (one, two) in enumerate(pairs):
        if found.splittable[n]:
            wide = np.column_stack((x, side_column(arms, one, two)))
            assert found.tau2[n] == pytest.approx(estimate_tau2(wide, arms, "reml")[0], rel=1e-7, abs=1e-14)


def test_effects_within_designs_equal_one_wide_regression() -> None:
    arms = networks.random_network(6, studies=50, techniques="abc", largest=3)
    part = fit_part(arms)
    found = inconsistency(part)
    designs = design_of(arms)
    names = sorted(set(zip(designs, arms.technique, strict=True)))
    wide = np.zeros((len(designs), len(names)))
    wide[
        np.arange(len(designs)), [names.index(pair) for pair in zip(designs, arms.technique, strict=True)]
    ] = 1
    common = kernel.fit_arms(wide, arms.study_index, arms.value, arms.variance)
    assert found.within_designs is not None and found.design_by_treatment is not None
    assert found.within_designs.value == pytest.approx(common.q, rel=1e-9)
    assert found.within_designs.df == common.df
    tau2 = estimate_tau2(wide, arms, "reml")[0]
    assert found.tau2_within_designs == pytest.approx(tau2, rel=1e-9)
    x = membership(arms, arms.techniques)
    at = [kernel.fit_arms(z, arms.study_index, arms.value, arms.variance, tau2).q for z in (x, wide)]
    assert found.design_by_treatment.value == pytest.approx(at[0] - at[1], rel=1e-7)


def test_indirect_evidence_is_what_another_path_gives() -> None:
    arms = networks.arms_of_values(
        ["1", "1", "2", "2", "3", "3", "4", "4"], list("abbcacad"), np.arange(8.0), [0.1] * 8
    )
    pairs = [("a", "b"), ("a", "c"), ("a", "d"), ("b", "c")]
    assert indirect_evidence(arms, pairs).tolist() == [True, True, False, True]
    split = {
        (s.technique, s.comparator): s for s in inconsistency(fit_part(arms, model="common_effect")).splits
    }
    assert split["a", "b"].indirect == pytest.approx((4 - 5) - (2 - 3))
    assert split["a", "b"].indirect_error == pytest.approx(math.sqrt(0.4))
