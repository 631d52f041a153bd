"""Two-arm counts against printed tables, general-purpose libraries and the awkward cases."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import effectsize_2proportions

from metakit.measures.families.two_arm_counts import (
    arcsine_difference,
    odds_ratio,
    peto_odds_ratio,
    risk_difference,
    risk_ratio,
)
from metakit.measures.registry import MEASURES
from metakit.measures.zero_cells import amounts


def counts(*rows: tuple[float, float, float, float]) -> dict[str, np.ndarray]:
    columns = np.array(rows, dtype=float).T
    return dict(zip(("events_1", "total_1", "events_2", "total_2"), columns, strict=True))


# Borenstein M et al. 2009, Introduction to Meta-Analysis, tables 14.4 and 14.5: log odds ratio and variance, four
# decimals. Status: memory (the values agree with the 50-digit recomputation of the same six studies).
SIX_STUDIES = counts(
    (12, 65, 16, 65), (8, 40, 10, 40), (14, 80, 19, 80), (25, 400, 80, 400), (8, 40, 11, 40), (16, 65, 18, 65)
)
PRINTED_LOG_ODDS = [-0.3662, -0.2877, -0.3842, -1.3218, -0.4169, -0.1595]
PRINTED_VARIANCE = [0.1851, 0.2896, 0.1556, 0.0583, 0.2816, 0.1597]


def test_log_odds_ratios_as_printed() -> None:
    found = odds_ratio(SIX_STUDIES)
    np.testing.assert_allclose(found.effect, PRINTED_LOG_ODDS, atol=5e-5)
    np.testing.assert_allclose(found.variance, PRINTED_VARIANCE, atol=5e-5)


# 50-digit values for BCG trials 1 and 12 (Colditz GA et al. 1994 JAMA 271:698-702). Status: computed with mpmath.
BCG = counts((4, 123, 11, 139), (5, 2498, 3, 2341))


def test_bcg_trials_to_twelve_digits() -> None:
    np.testing.assert_allclose(odds_ratio(BCG).effect[0], -0.9386941408703922, rtol=1e-12)
    np.testing.assert_allclose(risk_ratio(BCG).effect[0], np.log(4 / 123) - np.log(11 / 139), rtol=1e-12)
    np.testing.assert_allclose(risk_ratio(BCG).variance[0], 1 / 4 - 1 / 123 + 1 / 11 - 1 / 139, rtol=1e-12)


@pytest.mark.parametrize(
    ("statistic", "kernel"),
    [
        ("risk-ratio", risk_ratio),
        ("odds-ratio", odds_ratio),
        ("diff", risk_difference),
        ("arcsin", arcsine_difference),
    ],
)
def test_against_statsmodels(statistic, kernel) -> None:
    generator = np.random.default_rng(20260501)
    total_1, total_2 = generator.integers(10, 400, (2, 60))
    events_1, events_2 = generator.integers(1, total_1), generator.integers(1, total_2)
    effect, variance = effectsize_2proportions(events_1, total_1, events_2, total_2, statistic=statistic)
    found = kernel(
        {"events_1": events_1, "total_1": total_1, "events_2": events_2, "total_2": total_2},
        zero_cells="none",
    )
    np.testing.assert_allclose(found.effect, effect, rtol=1e-11, atol=1e-13)
    np.testing.assert_allclose(found.variance, variance, rtol=1e-12)


# Penicillin in rabbits, Agresti A 1990, Categorical Data Analysis, pp 230-235 (Mantel 1963): cured without delay and
# after 1.5 h at five doses. Status of the two answers: computed with mpmath, 50 digits.
RABBITS = counts((0, 6, 0, 5), (3, 6, 0, 6), (6, 6, 2, 6), (5, 6, 6, 6), (2, 2, 5, 5))


def test_rabbits_with_empty_and_full_strata() -> None:
    found = odds_ratio(RABBITS)
    assert found.estimable.tolist() == [False, True, True, True, False]
    assert found.corrected.tolist() == [False, True, True, True, False]
    np.testing.assert_allclose(found.effect[1:3], [2.5649493574615367, 3.152736022363656], rtol=1e-12)
    np.testing.assert_allclose(found.variance[1:3], [2.7252747252747254, 2.776068376068376], rtol=1e-12)
    peto = peto_odds_ratio(RABBITS)
    assert peto.estimable.tolist() == [False, True, True, True, False]
    weight = 1 / peto.variance[peto.estimable]
    pooled = np.sum(weight * peto.effect[peto.estimable]) / np.sum(weight)
    np.testing.assert_allclose(pooled, 1.8857142857142857, rtol=1e-12)
    np.testing.assert_allclose(np.sum(weight) ** -0.5, 0.7928249671720918, rtol=1e-12)


# ln((a d)/(b c)) with 0.5 in each cell and variance, for Bertschat 0/22 against 1/21 in the magnesium trials (Higgins &
# Spiegelhalter 2002); status: computed with mpmath, 50 digits.
def test_magnesium_trial_with_one_empty_cell() -> None:
    trial = counts((0, 22, 1, 21))
    np.testing.assert_allclose(odds_ratio(trial).effect, [-1.1917027117341217], rtol=1e-12)
    np.testing.assert_allclose(odds_ratio(trial).variance, [2.7598915989159893], rtol=1e-12)
    np.testing.assert_allclose(risk_ratio(trial).effect, [-1.1430640512389434], rtol=1e-12)
    np.testing.assert_allclose(risk_ratio(trial).variance, [2.577733860342556], rtol=1e-12)
    # One arm varies, so the difference is taken as it is.
    np.testing.assert_allclose(risk_difference(trial).effect, [-1 / 21], rtol=1e-12)
    np.testing.assert_allclose(risk_difference(trial).variance, [0.00215959399632869], rtol=1e-12)
    assert not risk_difference(trial).corrected.any()


# Sweeting MJ et al. 2004: with R = n2/n1 = 3 arm 1 gets 1/(R+1) = 0.25 a cell and arm 2 R/(R+1) = 0.75. Status:
# worked by hand from the formula.
def test_treatment_arm_correction_follows_the_sizes() -> None:
    found = odds_ratio(counts((0, 100, 4, 300)), zero_cells="treatment_arm")
    used = {name: column[0] for name, column in found.used.items()}
    assert used == {"events_1": 0.25, "total_1": 100.5, "events_2": 4.75, "total_2": 301.5}
    np.testing.assert_allclose(found.effect, np.log(0.25 * 296.75 / (100.25 * 4.75)), rtol=1e-12)


# The reason for the amounts (Sweeting 2004, section 2.2, from memory): without any event the corrected arms have the
# same odds, so the correction itself speaks for neither arm. A constant 0.5 does.
@pytest.mark.parametrize("sizes", [(10.0, 40.0), (300.0, 100.0), (7.0, 7.0)])
def test_treatment_arm_correction_leans_to_neither_arm(sizes: tuple[float, float]) -> None:
    first, second = amounts(*(np.array([size]) for size in sizes), "treatment_arm")
    np.testing.assert_allclose(first + second, 1.0, rtol=1e-15)
    np.testing.assert_allclose(first / (sizes[0] + first), second / (sizes[1] + second), rtol=1e-15)


def test_no_correction_means_not_estimable() -> None:
    rows = counts((0, 20, 3, 20), (20, 20, 3, 20), (4, 20, 3, 20))
    assert odds_ratio(rows, zero_cells="none").estimable.tolist() == [False, False, True]
    # A risk of 1 has a finite log and a variance through the other arm.
    assert risk_ratio(rows, zero_cells="none").estimable.tolist() == [False, True, True]


def test_only_studies_with_an_empty_cell_are_touched() -> None:
    found = odds_ratio(counts((0, 20, 3, 20), (4, 20, 3, 20)))
    bare = odds_ratio(counts((4, 20, 3, 20)), zero_cells="none")
    assert found.effect[1] == bare.effect[0]
    assert found.variance[1] == bare.variance[0]


def test_risk_difference_keeps_studies_without_events_and_corrects_the_variance_only() -> None:
    found = risk_difference(counts((0, 20, 0, 30), (20, 20, 0, 30), (5, 5, 8, 8)))
    assert found.estimable.all()
    assert found.corrected.all()
    np.testing.assert_array_equal(found.effect, [0.0, 1.0, 0.0])
    np.testing.assert_allclose(found.variance[0], 0.5 * 20.5 / 21**3 + 0.5 * 30.5 / 31**3, rtol=1e-12)
    assert not risk_difference(counts((0, 20, 0, 30)), zero_cells="none").estimable.any()


def test_nearly_equal_risks_keep_all_digits() -> None:
    # 1 more event of 10^9: ln(1 + 1e-7) by its series, to 12 digits.
    found = risk_ratio(counts((10_000_001, 10**9, 10_000_000, 10**9)))
    np.testing.assert_allclose(found.effect, [1e-7 - 1e-14 / 2 + 1e-21 / 3], rtol=1e-12)


def test_arcsine_of_equal_proportions_is_exactly_zero() -> None:
    found = arcsine_difference(counts((0, 7, 0, 9), (7, 7, 9, 9), (2, 10, 20, 100), (0, 5, 5, 5)))
    np.testing.assert_array_equal(found.effect[:3], [0.0, 0.0, 0.0])
    np.testing.assert_allclose(found.effect[3], -np.pi / 2, rtol=1e-15)
    assert found.estimable.all()


@pytest.mark.parametrize("name", ["risk_ratio", "odds_ratio", "peto_odds_ratio"])
def test_reasons_name_what_is_empty(name: str) -> None:
    measure = MEASURES[name]
    row = {"events_1": 0.0, "total_1": 9.0, "events_2": 0.0, "total_2": 9.0}
    assert "no events in either arm" in measure.reason(row, scale="log", zero_cells="none")
    full = {"events_1": 9.0, "total_1": 9.0, "events_2": 9.0, "total_2": 9.0}
    assert "everyone in both arms" in measure.reason(full, scale="log", zero_cells="none")
