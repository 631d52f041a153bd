"""Q, I2 and H with their intervals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from metakit.numerics.heterogeneity import (
    cochran_q,
    ratios_from_q,
    ratios_from_tau2,
    typical_variance,
)
from metakit.numerics.tau2 import dersimonian_laird
from metakit.numerics.weights import prepare

Y = np.array([0.1, 0.9, -0.4, 1.6, 0.3])
V = np.array([0.05, 0.1, 0.2, 0.02, 0.4])


def test_q_by_hand() -> None:
    found = cochran_q(prepare([1.0, 3.0], [0.5, 0.5]))
    assert float(found.value) == pytest.approx(4.0)  # (1 + 1) / 0.5
    assert found.df == 1
    assert float(found.p_value) == pytest.approx(stats.chi2.sf(4.0, 1), rel=1e-12)
    alone = cochran_q(prepare([1.0], [0.5]))
    assert (float(alone.value), float(alone.df), float(alone.p_value)) == (0, 0, 1)


# DerSimonian and Laird's tau2 with the typical variance gives back I2 = (Q - df) / Q (Higgins & Thompson 2002).
def test_both_forms_of_i2_agree_at_the_moment_estimate() -> None:
    studies = prepare(Y, V)
    q = cochran_q(studies)
    from_q = ratios_from_q(q.value, q.df)
    from_tau2 = ratios_from_tau2(typical_variance(studies), dersimonian_laird(studies).tau2)
    assert float(from_tau2.i2) == pytest.approx(float(from_q.i2), rel=1e-12)
    assert float(from_tau2.h2) == pytest.approx(float(q.value / q.df), rel=1e-12)


def test_equal_variances_have_themselves_as_typical() -> None:
    assert float(typical_variance(prepare(Y, np.full(5, 0.3)))) == pytest.approx(0.3, rel=1e-14)
    assert float(typical_variance(prepare([0.1], [0.3]))) == np.inf


# Ioannidis, Patsopoulos & Evangelou 2007 (BMJ 335:914), from memory: I2 = 0 from five studies reaches up to 79 %.
def test_five_studies_that_agree_still_allow_much_heterogeneity() -> None:
    found = ratios_from_q(np.float64(2.0), np.float64(4.0))
    assert float(found.i2) == 0
    assert float(found.i2_lower) == 0
    assert float(found.i2_upper) == pytest.approx(0.79, abs=0.005)


def test_no_interval_with_two_studies_and_no_ratio_with_one() -> None:
    two = ratios_from_q(np.float64(3.0), np.float64(1.0))
    assert (float(two.i2_lower), float(two.i2_upper)) == (0, 1)
    one = ratios_from_q(np.float64(0.0), np.float64(0.0))
    assert (float(one.i2), float(one.h)) == (0, 1)


def test_unbounded_tau2_is_all_heterogeneity() -> None:
    assert float(ratios_from_tau2(0.1, np.inf).i2) == 1


# Higgins JPT & Thompson SG 2002, Stat Med 21:1539-1558, equation 11 (Q above k) and 12, written out.
@pytest.mark.parametrize(("q", "df"), [(20.0, 7.0), (8.0, 7.0), (5.0, 7.0), (30.0, 2.0), (3.0, 2.0)])
def test_based_limits_of_h_by_the_paper(q: float, df: float) -> None:
    k = df + 1
    error = (
        0.5 * (np.log(q) - np.log(k - 1)) / (np.sqrt(2 * q) - np.sqrt(2 * k - 3))
        if q > k
        else np.sqrt(1 / (2 * (k - 2)) * (1 - 1 / (3 * (k - 2) ** 2)))
    )
    h = max(1.0, np.sqrt(q / df))
    factor = np.exp(stats.norm.ppf(0.95) * error)
    found = ratios_from_q(np.array(q), np.array(df), 0.9)
    assert float(found.h) == pytest.approx(h, rel=1e-12)
    assert float(found.h_upper) == pytest.approx(h * factor, rel=1e-12)
    assert float(found.h_lower) == pytest.approx(max(1.0, h / factor), rel=1e-12)
    assert float(found.i2_upper) == pytest.approx(1 - 1 / (h * factor) ** 2, rel=1e-12)


def test_limits_of_one_and_two_studies_say_nothing() -> None:
    for df in (0.0, 1.0):
        found = ratios_from_q(np.array(4.0 * df), np.array(df))
        assert (float(found.h_lower), float(found.h_upper)) == (1.0, np.inf)
        assert float(found.h) == (2.0 if df else 1.0)
        assert (float(found.i2_lower), float(found.i2_upper)) == (0.0, 1.0)
