"""Subgroups under the default rule: each level is `pool` of its studies, the difference from the same posteriors.

Checked against pool, the regression on a group column, and a convolution by scipy.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from metakit.core.effects import EffectTable
from metakit.errors import NotEstimableError
from metakit.models.differing.meta_regression import meta_regression
from metakit.models.differing.subgroups import probability_above, subgroups
from metakit.models.pool import pool


def studies(k: int, groups: str, shift: float = 0.5) -> EffectTable:
    rng = np.random.default_rng(k)
    kind = tuple(groups[n % len(groups)] for n in range(k))
    effect = rng.normal(0, 0.3, k) + shift * np.array([name == groups[0] for name in kind])
    return EffectTable(
        measure="generic",
        scale="identity",
        study=tuple(f"s{n}" for n in range(k)),
        effect=effect,
        variance=rng.uniform(0.02, 0.2, k),
        estimable=np.ones(k, dtype=bool),
        moderators={"kind": kind},
    )


def test_each_level_is_pool_of_its_studies_to_the_last_bit() -> None:
    table = studies(9, "ab")
    found = subgroups(table, "kind")
    assert found.inference == "half_normal"
    for level in found.levels:
        keep = np.array([kind == level.level for kind in table.moderators["kind"]])
        alone = pool(table.select(keep), model="half_normal")
        assert (level.estimate, level.interval, level.k) == (alone.estimate, alone.interval, alone.k)


def test_two_levels_differ_by_the_convolution_of_their_posteriors() -> None:
    table = studies(9, "ab")
    found = subgroups(table, "kind")
    first, second = (
        pool(
            table.select(np.array([kind == name for kind in table.moderators["kind"]])), model="half_normal"
        ).posterior
        for name in "ab"
    )
    # two mixtures of normals: their difference is the mixture of all differences
    spread = np.hypot(first.deviation[:, None], second.deviation)
    above = float(first.weight @ special.ndtr((first.mean[:, None] - second.mean) / spread) @ second.weight)
    assert probability_above(first, second) == pytest.approx(above, abs=1e-12)

    class Plain:  # the same posterior without its parts, as that of counts is
        def __init__(self, of) -> None:
            self.below, self.quantile = of.below, of.quantile

    assert probability_above(Plain(first), Plain(second)) == pytest.approx(above, abs=1e-6)
    assert found.between.p_value == pytest.approx(2 * min(above, 1 - above), abs=1e-9)
    assert found.between.df == 1


def test_one_spread_for_all_groups_is_the_regression_on_the_group() -> None:
    table = studies(9, "ab")
    found = subgroups(table, "kind", common_tau2=True)
    slope = meta_regression(table, ["kind"])
    assert found.between.p_value == pytest.approx(slope.coefficients[1].p_value, abs=1e-12)
    assert found.levels[0].estimate == pytest.approx(slope.coefficients[0].estimate, abs=1e-9)
    assert found.levels[0].tau2 == found.levels[1].tau2 == pytest.approx(slope.tau2, abs=1e-9)


def test_three_levels_are_tested_together_and_no_difference_is_no_finding() -> None:
    alike = subgroups(studies(12, "abc", shift=0.0), "kind")
    apart = subgroups(studies(12, "abc", shift=3.0), "kind")
    assert alike.between.df == apart.between.df == 2
    assert alike.between.p_value > 0.05 > apart.between.p_value
    shared = subgroups(studies(12, "abc", shift=3.0), "kind", common_tau2=True)
    assert shared.between.p_value < 0.05


def test_a_level_of_one_study_keeps_its_interval_and_says_what_the_test_does() -> None:
    table = studies(5, "ab")
    lonely = replace(table, moderators={"kind": ("a", "b", "b", "b", "b")})
    found = subgroups(lonely, "kind")
    one = found.levels[0]
    assert one.k == 1
    assert one.interval == pool(lonely.select(np.arange(5) == 0)).interval
    assert any("one study" in note for note in found.notes)
    with pytest.raises(NotEstimableError, match="nothing to compare"):
        subgroups(replace(table, moderators={"kind": ("a",) * 5}), "kind")


def test_naming_an_interval_keeps_each_level_by_that_interval() -> None:
    table = studies(8, "ab")
    found = subgroups(table, "kind", interval="wald")
    assert found.inference == ""
    for level in found.levels:
        keep = np.array([kind == level.level for kind in table.moderators["kind"]])
        alone = pool(table.select(keep), model="random_effects", interval="wald")
        assert level.interval == pytest.approx(alone.interval, abs=1e-12)
