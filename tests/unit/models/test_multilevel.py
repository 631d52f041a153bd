"""Pooling effects that share cohorts."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from metakit.core.effects import EffectTable
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.measures.tables import effect_sizes
from metakit.models.multilevel import INTERVALS, pool_dependent
from metakit.models.random_effects import fit as random_effects
from metakit.models.registry import PoolOptions

# Invented effects of nine cohorts, some reported twice or three times.
COHORTS = list("aabbbcdeefghi")
RNG = np.random.default_rng(11)
EFFECT = 0.3 + 0.4 * RNG.normal(size=13) + 0.3 * RNG.normal(size=9)[[0, 0, 1, 1, 1, 2, 3, 4, 4, 5, 6, 7, 8]]
TABLE: dict[str, Any] = {
    "study": [f"report {i}" for i in range(13)],
    "cohort": COHORTS,
    "effect": EFFECT.tolist(),
    "variance": RNG.uniform(0.02, 0.15, 13).tolist(),
}


def table(**changes: Any) -> EffectTable:
    return effect_sizes({**TABLE, **changes}, measure="generic")


def test_one_effect_a_cohort_is_the_two_level_model() -> None:
    """The three-level model then has only the sum of its variances, tau2 of ordinary REML."""
    effects = table(cohort=[f"c{i}" for i in range(13)])
    nested, plain = pool_dependent(effects, interval="t"), random_effects(effects, PoolOptions(interval="t"))
    assert nested.estimate == pytest.approx(plain.estimate, rel=1e-9)
    assert nested.standard_error == pytest.approx(plain.standard_error, rel=1e-9)
    assert nested.heterogeneity.tau2 == pytest.approx(plain.heterogeneity.tau2, rel=1e-8)
    assert nested.interval == pytest.approx(plain.interval, rel=1e-8)
    assert nested.heterogeneity.i2 == pytest.approx(plain.heterogeneity.i2, rel=1e-7)
    assert [row.weight for row in nested.studies] == pytest.approx([row.weight for row in plain.studies])
    assert nested.tau2_within_interval is None
    assert any("cannot be told apart" in note for note in nested.notes)


def test_the_default_interval_is_robust_with_its_own_degrees_of_freedom() -> None:
    result = pool_dependent(table())
    df = result.mean.df
    half = stats.t.ppf(0.975, df) * result.standard_error
    assert result.mean.method == "cluster_robust" and 1 < df < 8
    assert result.interval == pytest.approx((result.estimate - half, result.estimate + half))
    assert result.mean.p_value == pytest.approx(
        2 * stats.t.sf(abs(result.estimate / result.standard_error), df), rel=1e-9
    )
    assert result.clusters == 9 and result.k == 13
    assert [other.method for other in result.other_intervals] == list(INTERVALS[1:])
    assert sum(row.weight for row in result.studies) == pytest.approx(1.0)


def test_prediction_is_for_an_effect_of_a_new_cluster() -> None:
    result = pool_dependent(table())
    spread = math.sqrt(result.standard_error**2 + result.tau2_between + result.tau2_within)
    half = stats.t.ppf(0.975, 7) * spread
    assert result.prediction is not None and result.prediction.df == 7
    assert result.prediction.interval == pytest.approx((result.estimate - half, result.estimate + half))


def test_shared_patients_are_stated_and_varied() -> None:
    plain, shared = pool_dependent(table()), pool_dependent(table(), sampling_correlation=0.6)
    assert shared.sampling_correlation == 0.6 and shared.estimate != plain.estimate
    assert any("correlated-and-hierarchical-effects" in note for note in shared.notes)
    note = next(note for note in shared.notes if "with other values" in note)
    assert all(f"{value:g}: " in note for value in (0.2, 0.5, 0.8))


def test_few_degrees_of_freedom_are_cautioned() -> None:
    keep = np.arange(13) < 6  # three cohorts, one of them a single report
    result = pool_dependent(table().select(keep))
    assert result.mean.df < 4
    assert any("cannot be trusted" in note and "Tipton 2015" in note for note in result.notes)


def test_a_blank_label_is_a_cluster_of_its_own_and_named() -> None:
    result = pool_dependent(table(cohort=[*COHORTS[:11], "", None]))
    assert result.clusters == 9
    assert any("report 11, report 12" in note for note in result.notes)


def test_labels_may_be_given_directly() -> None:
    assert pool_dependent(table(), cluster=COHORTS).estimate == pool_dependent(table()).estimate


def test_studies_without_effect_are_set_aside_not_dropped() -> None:
    counts = {
        "study": list("ABCDE"),
        "cohort": ["x", "x", "y", "z", "z"],
        "events_1": [3, 0, 4, 2, 5],
        "total_1": [40, 30, 50, 35, 60],
        "events_2": [5, 0, 6, 4, 5],
        "total_2": [41, 30, 52, 33, 61],
    }
    result = pool_dependent(effect_sizes(counts, measure="odds_ratio"))
    assert result.clusters == 3 and [item.study for item in result.set_aside] == ["B"]


def test_json_names_both_variances() -> None:
    answer = pool_dependent(table()).to_json()
    assert answer["model"] == "multilevel" and answer["tau2_estimator"] == "reml"
    assert answer["tau2"] == pytest.approx(answer["tau2_between"] + answer["tau2_within"])
    assert len(answer["tau2_between_interval"]) == 2 and answer["df"] > 0


def test_wrong_use_is_said_in_one_sentence() -> None:
    with pytest.raises(UnknownNameError, match="cohort"):
        pool_dependent(table(), cluster="cohrt")
    with pytest.raises(UnknownNameError, match="cluster_robust"):
        pool_dependent(table(), interval="hartung_knapp")
    with pytest.raises(UsageError, match="1 excluded"):
        pool_dependent(table(), sampling_correlation=1.0)
    with pytest.raises(UsageError, match="2 cluster labels were given for 13 effects"):
        pool_dependent(table(), cluster=["a", "b"])
    with pytest.raises(NotEstimableError, match="all 13 effects belong to one cluster"):
        pool_dependent(table(cohort=["a"] * 13))


def test_arms_against_one_comparator_have_the_covariance_of_its_numbers() -> None:
    """Against statsmodels GLS with the full covariance (Gleser & Olkin 2009) at the fitted variances."""
    rows = {
        "study": ["A one", "A two", "B", "C", "D one", "D two"],
        "paper": ["A", "A", "B", "C", "D", "D"],
        "events_1": [9, 12, 7, 10, 5, 8],
        "total_1": [60, 62, 55, 70, 40, 41],
        "events_2": [15, 15, 12, 16, 9, 9],
        "total_2": [61, 61, 54, 68, 43, 43],
    }
    effects = effect_sizes(rows, measure="risk_ratio")
    found = pool_dependent(effects, cluster="paper", shared_comparator=True, interval="wald")
    shared = np.zeros((6, 6))
    same = np.array([[one == two for two in rows["paper"]] for one in rows["paper"]])
    comparator = 1 / np.array(rows["events_2"]) - 1 / np.array(rows["total_2"])
    shared[same] = np.tile(comparator, (6, 1))[same]
    covariance = shared + found.tau2_between * same + found.tau2_within * np.eye(6)
    np.fill_diagonal(covariance, effects.variance + found.tau2_between + found.tau2_within)
    outside = sm.GLS(effects.effect, np.ones(6), sigma=covariance).fit(cov_type="fixed scale")
    assert found.estimate == pytest.approx(float(outside.params[0]), rel=1e-9)
    assert found.standard_error == pytest.approx(float(outside.bse[0]), rel=1e-9)
    # counting the comparators twice claims to know more
    twice = pool_dependent(effects, cluster=[f"row {n}" for n in range(6)], interval="wald")
    assert found.standard_error > twice.standard_error
    assert found.shared_comparator and any("one comparator" in note for note in found.notes)
    with pytest.raises(UsageError, match="leave the sampling correlation out"):
        pool_dependent(effects, cluster="paper", shared_comparator=True, sampling_correlation=0.5)
    with pytest.raises(UsageError, match="share one comparator"):
        pool_dependent(effects, cluster=["x", "x", "x", "y", "z", "z"], shared_comparator=True)
