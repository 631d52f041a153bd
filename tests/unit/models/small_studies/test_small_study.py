"""When tests of small-study effects are run at all: each guard from both sides; values by scipy and statsmodels.

Source: Sterne JAC et al. 2011, BMJ 343:d4002 (fewer than ten studies; studies of one size; a test for each measure).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from metakit.errors import NotEstimableError, UsageError
from metakit.models.small_studies.small_study import small_study_test
from tests.unit.models.small_studies.test_small_study_adjustments import table_of

RANDOM = np.random.default_rng(7)
VARIANCE = RANDOM.uniform(0.02, 0.6, 12)
EFFECT = RANDOM.normal(0.2, np.sqrt(VARIANCE + 0.05)) + 0.8 * np.sqrt(VARIANCE)
FORCED = "studies are too few for it"


def first(k: int):  # type: ignore[no-untyped-def]
    return table_of(EFFECT[:k], VARIANCE[:k])


def test_ten_studies_are_enough_nine_only_by_force_and_two_never() -> None:
    assert small_study_test(first(10), "egger").k == 10
    with pytest.raises(NotEstimableError, match="9 studies are too few"):
        small_study_test(first(9), "egger")
    assert FORCED in small_study_test(first(9), "egger", force=True).notes[0]
    assert FORCED in small_study_test(first(3), "egger", force=True).notes[0]
    assert not any(FORCED in note for note in small_study_test(first(10), "egger", force=True).notes)
    for force in (False, True):
        with pytest.raises(NotEstimableError, match="2 studies are too few"):
            small_study_test(first(2), "egger", force=force)


def test_studies_of_one_precision_or_of_one_effect_have_nothing_to_compare() -> None:
    same = np.full(10, 0.1)
    for name in ("egger", "begg"):
        with pytest.raises(NotEstimableError, match="the same precision"):
            small_study_test(table_of(EFFECT[:10], same), name)
        with pytest.raises(NotEstimableError, match="the same effect"):
            small_study_test(table_of(np.full(10, 0.3), VARIANCE[:10]), name)
    nearly = same.copy()
    nearly[0] *= 1 + 1e-10  # rounding is no difference
    with pytest.raises(NotEstimableError, match="the same precision"):
        small_study_test(table_of(EFFECT[:10], nearly), "egger")
    nearly[0] = 0.1 * (1 + 1e-6)
    assert math.isfinite(small_study_test(table_of(EFFECT[:10], nearly), "begg").p_value)


def test_effects_on_a_line_give_no_error_to_test_by() -> None:
    line = 0.1 + 0.7 * np.sqrt(VARIANCE)
    with pytest.raises(NotEstimableError, match="exactly on a line"):
        small_study_test(table_of(line, VARIANCE), "egger")
    assert small_study_test(table_of(line + 1e-6 * EFFECT, VARIANCE), "egger").p_value < 1e-6


def test_the_slope_is_that_of_a_weighted_regression() -> None:
    found = small_study_test(first(12), "egger")
    fit = sm.WLS(EFFECT, sm.add_constant(np.sqrt(VARIANCE)), weights=1 / VARIANCE).fit()
    assert (found.estimate, found.standard_error) == pytest.approx((fit.params[1], fit.bse[1]), rel=1e-10)
    assert (found.statistic, found.p_value) == pytest.approx((fit.tvalues[1], fit.pvalues[1]), rel=1e-10)
    assert found.df == 10


def test_ranks_are_exact_without_ties_up_to_fifty_studies() -> None:
    def deviates(y: np.ndarray, v: np.ndarray) -> np.ndarray:
        weight = 1 / v
        return (y - (weight * y).sum() / weight.sum()) / np.sqrt(v - 1 / weight.sum())

    def said(k: int, *, tied: bool = False):  # type: ignore[no-untyped-def]
        random = np.random.default_rng(3)
        v = random.uniform(0.05, 0.5, k)
        y = random.normal(0, 1, k)
        if tied:
            v[1] = v[0]
        found = small_study_test(table_of(y, v), "begg")
        method = "exact" if "exact" in found.notes[1] else "asymptotic"
        expected = stats.kendalltau(deviates(y, v), v, method=method)
        assert (found.estimate, found.p_value) == pytest.approx(
            (expected.statistic, expected.pvalue), rel=1e-9
        )
        return method

    assert said(12) == said(50) == "exact"
    assert said(51) == said(12, tied=True) == "asymptotic"


def test_a_test_that_does_not_suit_is_refused_with_the_one_that_does() -> None:
    with pytest.raises(UsageError, match="For this measure use egger"):
        small_study_test(first(10), "harbord")
