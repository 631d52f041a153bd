"""Mantel-Haenszel and Peto kernels: statsmodels, hand-worked tables, masks, zero cells."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import StratifiedTable

from metakit.numerics import stratified

KERNELS = (
    stratified.mantel_haenszel_odds_ratio,
    stratified.mantel_haenszel_risk_ratio,
    stratified.mantel_haenszel_risk_difference,
    stratified.mantel_haenszel_rate_ratio,
    stratified.peto_odds_ratio,
)
A, N1 = np.array([4.0, 0, 7, 12]), np.array([40.0, 25, 60, 90])
C, N2 = np.array([9.0, 2, 8, 20]), np.array([38.0, 26, 66, 85])

tables = st.lists(
    st.tuples(st.integers(0, 30), st.integers(1, 30), st.integers(0, 30), st.integers(1, 30)),
    min_size=2,
    max_size=8,
)


@settings(max_examples=80, deadline=None)
@given(tables)
def test_odds_ratio_against_statsmodels(rows: list[tuple[int, int, int, int]]) -> None:
    a, b, c, d = np.array(rows, dtype=float).T
    found = stratified.mantel_haenszel_odds_ratio(a, a + b, c, c + d)
    if not found.estimable:
        assert np.sum(a * d) == 0 or np.sum(b * c) == 0
        return
    theirs = StratifiedTable([np.array([[w, x], [y, z]]) for w, x, y, z in rows])
    assert float(found.estimate) == pytest.approx(theirs.logodds_pooled, rel=1e-10, abs=1e-13)
    assert float(found.standard_error) == pytest.approx(theirs.logodds_pooled_se, rel=1e-10)


# One study: Mantel-Haenszel is the study's own ratio, with its own large-sample variance.
def test_one_table_is_its_own_ratio() -> None:
    a, n1, c, n2 = 6.0, 40.0, 11.0, 44.0
    found = stratified.mantel_haenszel_risk_ratio([a], [n1], [c], [n2])
    assert float(found.estimate) == pytest.approx(np.log((a / n1) / (c / n2)), rel=1e-13)
    assert float(found.standard_error) ** 2 == pytest.approx(1 / a - 1 / n1 + 1 / c - 1 / n2, rel=1e-12)
    found = stratified.mantel_haenszel_odds_ratio([a], [n1], [c], [n2])
    expected = 1 / a + 1 / (n1 - a) + 1 / c + 1 / (n2 - c)
    assert float(found.standard_error) ** 2 == pytest.approx(expected, rel=1e-12)
    found = stratified.mantel_haenszel_risk_difference([a], [n1], [c], [n2])
    expected = a * (n1 - a) / n1**3 + c * (n2 - c) / n2**3
    assert float(found.standard_error) ** 2 == pytest.approx(expected, rel=1e-12)
    found = stratified.mantel_haenszel_rate_ratio([a], [n1], [c], [n2])
    assert float(found.estimate) == pytest.approx(np.log((a / n1) / (c / n2)), rel=1e-13)
    assert float(found.standard_error) ** 2 == pytest.approx(1 / a + 1 / c, rel=1e-12)


# The penicillin rabbits of Mantel 1963 in Agresti 1990, pages 230-235: odds ratio 7, status published (see
# tests/reference/published/rabbits_zero_cells.yaml). Arm 1: penicillin at once; counts are those cured.
def test_rabbits_with_two_empty_strata() -> None:
    at_once, late = np.array([0.0, 3, 6, 5, 2]), np.array([0.0, 0, 2, 6, 5])
    died_at_once, died_late = np.array([6.0, 3, 0, 1, 0]), np.array([5.0, 6, 4, 0, 0])
    found = stratified.mantel_haenszel_odds_ratio(at_once, at_once + died_at_once, late, late + died_late)
    assert float(np.exp(found.estimate)) == pytest.approx(7.0, rel=1e-12)
    assert found.informative.tolist() == [False, True, True, True, False]


@pytest.mark.parametrize("kernel", KERNELS, ids=lambda kernel: kernel.__name__)
def test_swapping_the_arms_turns_the_sign(kernel) -> None:
    one, two = kernel(A, N1, C, N2), kernel(C, N2, A, N1)
    assert float(one.estimate) == pytest.approx(-float(two.estimate), rel=1e-12)
    assert float(one.standard_error) == pytest.approx(float(two.standard_error), rel=1e-12)


@pytest.mark.parametrize("kernel", KERNELS, ids=lambda kernel: kernel.__name__)
def test_batch_equals_loop_and_a_mask_leaves_studies_out(kernel) -> None:
    columns = [np.stack([x, x[::-1], np.roll(x, 1)]) for x in (A, N1, C, N2)]
    present = np.array([[True] * 4, [True, False, True, True], [True, True, True, False]])
    together = kernel(*columns, present)
    for row in range(3):
        alone = kernel(*(x[row] for x in columns), present[row])
        assert alone.estimate == together.estimate[row]
        assert alone.standard_error == together.standard_error[row]
        bare = kernel(*(x[row][present[row]] for x in columns))
        assert float(bare.estimate) == pytest.approx(float(alone.estimate), rel=1e-13)
        assert together.weight[row].sum() == pytest.approx(1.0)
        assert not together.weight[row][~present[row]].any()


@pytest.mark.parametrize("kernel", KERNELS[:2] + KERNELS[3:], ids=lambda kernel: kernel.__name__)
def test_a_study_without_events_changes_no_ratio(kernel) -> None:
    plain = kernel(A, N1, C, N2)
    more = kernel(*(np.append(x, y) for x, y in ((A, 0), (N1, 30), (C, 0), (N2, 31))))
    assert float(more.estimate) == pytest.approx(float(plain.estimate), rel=1e-13)
    assert float(more.standard_error) == pytest.approx(float(plain.standard_error), rel=1e-13)
    assert not more.informative[-1]


def test_a_study_without_events_counts_for_the_difference() -> None:
    plain = stratified.mantel_haenszel_risk_difference(A, N1, C, N2)
    more = stratified.mantel_haenszel_risk_difference(
        *(np.append(x, y) for x, y in ((A, 0), (N1, 300), (C, 0), (N2, 310)))
    )
    assert abs(float(more.estimate)) < abs(float(plain.estimate))
    assert more.informative.all()


def test_what_cannot_be_estimated_is_flagged() -> None:
    zero = np.zeros(4)
    for kernel in KERNELS[:2] + KERNELS[3:4]:
        found = kernel(zero, N1, C, N2)
        assert not found.estimable
        assert found.for_arm_1 == 0
        assert found.for_arm_2 > 0
        assert np.isnan(found.estimate)
    peto = stratified.peto_odds_ratio(zero, N1, C, N2)  # all events in one arm: Peto's is finite
    assert peto.estimable
    assert np.isfinite(peto.estimate)
    assert not stratified.peto_odds_ratio(zero, N1, zero, N2).estimable


# Yusuf 1985: O - E and V of one table, by hand. 3 of 10 against 6 of 10: E = 4.5, V = 10 * 10 * 9 * 11 / (400 * 19).
def test_peto_parts_by_hand() -> None:
    parts = stratified.peto_parts([3], [10], [6], [10])
    assert parts.difference.tolist() == [-1.5]
    assert parts.variance.tolist() == pytest.approx([9900 / 7600])
