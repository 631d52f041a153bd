"""Patients and thumbs, and studies with several arms."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting.combining import CountSummary, MeanSummary, RateSummary
from metakit.measures.converting.units_of_analysis import (
    DEFAULT_ICC,
    SENSITIVITY_ICCS,
    design_effect,
    effective_counts,
    effective_mean,
    effective_number,
    effective_rate,
    weighted_cluster_size,
)
from metakit.measures.multi_arm import shared_comparator_covariance
from metakit.measures.registry import MEASURES


# The project's clinical brief, section 4.2: 637 patients with 686 thumbs, 35 with 45 (its own arithmetic on published
# numbers of patients and thumbs).
@pytest.mark.parametrize(
    ("patients", "thumbs", "size", "effect", "number"),
    [(637, 686, 1.1429, 1.0429, 657.8), (35, 45, 1.4444, 1.1333, 39.7)],
)
def test_check_values(patients: int, thumbs: int, size: float, effect: float, number: float) -> None:
    assert weighted_cluster_size(patients, thumbs) == pytest.approx(size, abs=5e-5)
    assert design_effect(patients, thumbs) == pytest.approx(effect, abs=5e-5)
    assert effective_number(thumbs, patients).value == pytest.approx(number, abs=0.05)


def test_design_effect_is_the_variance_of_a_mean_of_correlated_thumbs() -> None:
    patients, thumbs, icc = 9, 13, 0.4
    both = thumbs - patients
    covariance = np.eye(thumbs)
    for pair in range(both):
        covariance[2 * pair, 2 * pair + 1] = covariance[2 * pair + 1, 2 * pair] = icc
    inflation = covariance.sum() / thumbs**2 / (1 / thumbs)
    assert design_effect(patients, thumbs, icc) == pytest.approx(inflation, rel=1e-14)


def test_ends_of_the_range() -> None:
    assert design_effect(20, 20) == 1.0
    assert design_effect(20, 40, 1.0) == 2.0
    assert design_effect(20, 31, 0.0) == 1.0
    assert (DEFAULT_ICC, SENSITIVITY_ICCS) == (0.3, (0.0, 0.5))


@pytest.mark.parametrize(
    ("patients", "thumbs", "icc", "words"),
    [
        (20, 19, 0.3, "impossible"),
        (20, 41, 0.3, "impossible"),
        (20, 25, 1.2, "between 0 and 1"),
        (0, 0, 0.3, "at least 1"),
    ],
)
def test_impossible_numbers(patients: int, thumbs: int, icc: float, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        design_effect(patients, thumbs, icc)


def test_proportion_rate_and_mean_stay() -> None:
    numbers = {"patients": 35, "thumbs": 45}
    counts = effective_counts(CountSummary(12, 45), **numbers)
    assert counts.value.events / counts.value.total == pytest.approx(12 / 45, rel=1e-15)
    assert counts.value.total == pytest.approx(39.7, abs=0.01)
    assert "design effect 1.13333" in counts.inputs
    assert "assumed correlation of 0.3" in counts.rule
    rate = effective_rate(RateSummary(12, 621), **numbers).value
    assert rate.events / rate.time == pytest.approx(12 / 621, rel=1e-15)
    mean = effective_mean(MeanSummary(18, 15, 45), **numbers).value
    assert mean == pytest.approx((18, 15, 45 / (1 + 0.3 * 4 / 9)), rel=1e-12)


@pytest.mark.parametrize(
    ("measure", "link"), [("odds_ratio", sm.families.links.Logit()), ("risk_ratio", sm.families.links.Log())]
)
@pytest.mark.filterwarnings("ignore:The Log link function")  # a standing remark on any log-binomial fit
def test_covariance_is_that_of_a_binomial_regression_on_single_thumbs(measure: str, link: object) -> None:
    events, total = np.array([11, 4, 9]), np.array([60, 55, 70])
    arm = np.repeat(np.arange(3), total)
    happened = np.concatenate([np.arange(n) < x for x, n in zip(events, total, strict=True)]).astype(float)
    design = np.column_stack([np.ones(arm.size), arm == 1, arm == 2]).astype(float)
    start = np.array([np.log(events[0] / total[0]), 0.0, 0.0])
    fit = sm.GLM(happened, design, family=sm.families.Binomial(link=link)).fit(start_params=start)
    data = {
        "events_1": events[1:],
        "total_1": total[1:],
        "events_2": np.repeat(events[0], 2),
        "total_2": np.repeat(total[0], 2),
    }
    found = shared_comparator_covariance(measure, data)
    np.testing.assert_allclose(found, fit.cov_params()[1:, 1:], rtol=1e-5)


def test_covariance_of_mean_differences_is_exact() -> None:
    data = {
        "mean_1": np.array([5.0, 7.0]),
        "sd_1": np.array([2.0, 3.0]),
        "total_1": np.array([20.0, 30.0]),
        "mean_2": np.array([4.0, 4.0]),
        "sd_2": np.array([2.5, 2.5]),
        "total_2": np.array([25.0, 25.0]),
    }
    shared = 2.5**2 / 25
    expected = [[4 / 20 + shared, shared], [shared, 9 / 30 + shared]]
    np.testing.assert_allclose(shared_comparator_covariance("mean_difference", data), expected, rtol=1e-12)


# Simulation: 40,000 three-arm trials of normal data; the covariance of two g is known to about 1 %.
def test_covariance_of_standardized_differences_by_simulation() -> None:
    generator = np.random.default_rng(17)
    sizes, means, trials = (30, 40, 50), (1.2, 0.8, 0.0), 40_000
    arms = [generator.normal(mean, 1.0, (trials, n)) for mean, n in zip(means, sizes, strict=True)]
    mean, sd = [arm.mean(axis=1) for arm in arms], [arm.std(axis=1, ddof=1) for arm in arms]
    g = [
        MEASURES["standardized_mean_difference"]
        .kernel(
            {
                "mean_1": mean[i], "sd_1": sd[i], "total_1": np.full(trials, sizes[i]),
                "mean_2": mean[2], "sd_2": sd[2], "total_2": np.full(trials, sizes[2]),
            },
            scale="identity",
            zero_cells="none",
        )
        .effect
        for i in (0, 1)
    ]  # fmt: skip
    data = {
        "mean_1": np.array(means[:2]), "sd_1": np.ones(2), "total_1": np.array(sizes[:2], dtype=float),
        "mean_2": np.zeros(2), "sd_2": np.ones(2), "total_2": np.full(2, 50.0),
    }  # fmt: skip
    matrix = shared_comparator_covariance("standardized_mean_difference", data)
    assert matrix[0, 1] == pytest.approx(np.cov(g)[0, 1], rel=0.06)
    assert np.all(np.linalg.eigvalsh(matrix) > 0)


def test_every_two_arm_measure_but_peto_has_a_positive_definite_covariance() -> None:
    data = {
        "events_1": np.array([0.0, 3, 9]), "total_1": np.array([20.0, 25, 30]), "time_1": np.array([40.0, 50, 60]),
        "events_2": np.full(3, 4.0), "total_2": np.full(3, 22.0), "time_2": np.full(3, 44.0),
        "mean_1": np.array([5.0, 6, 9]), "sd_1": np.ones(3), "mean_2": np.full(3, 4.0), "sd_2": np.full(3, 2.0),
    }  # fmt: skip
    for measure in MEASURES:
        if not measure.family.startswith("two_arm"):
            continue
        if measure.name == "peto_odds_ratio":
            with pytest.raises(UsageError, match="no covariance is known"):
                shared_comparator_covariance(measure.name, data)
            continue
        matrix = shared_comparator_covariance(measure.name, data)
        np.testing.assert_array_equal(matrix, matrix.T)
        assert np.all(np.linalg.eigvalsh(matrix) > 0), measure.name


def test_covariance_needs_one_comparator_and_effects() -> None:
    data = {
        "events_1": np.array([3.0, 2]), "total_1": np.array([20.0, 20]),
        "events_2": np.array([3.0, 4]), "total_2": np.array([20.0, 20]),
    }  # fmt: skip
    with pytest.raises(UsageError, match="do not share"):
        shared_comparator_covariance("odds_ratio", data)
    nobody = {name: np.zeros(2) if name.startswith("events") else np.full(2, 20.0) for name in data}
    with pytest.raises(NotEstimableError):
        shared_comparator_covariance("odds_ratio", nobody)
