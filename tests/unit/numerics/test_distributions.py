"""Quantiles and tails against scipy.stats, and at their edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from metakit.numerics.distributions import chi_squared_quantile, chi_squared_tail, normal_quantile, t_quantile

DF = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 30.0, np.inf])


def test_chi_squared_there_and_back() -> None:
    for df in (1.0, 2.0, 7.5):
        value = chi_squared_quantile(0.9, np.array(df))
        assert float(value) == pytest.approx(stats.chi2.ppf(0.9, df), rel=1e-12)
        assert float(chi_squared_tail(value, np.array(df))) == pytest.approx(0.1, rel=1e-12)
    assert float(chi_squared_tail(np.array(5.0), np.array(0.0))) == 1.0


def test_t_from_one_degree_on() -> None:
    found = t_quantile(0.9, DF)
    assert found[:2].tolist() == [np.inf, np.inf]
    np.testing.assert_allclose(found[2:6], stats.t.ppf(0.95, DF[2:6]), rtol=1e-12)
    assert found[6] == normal_quantile(0.9) == pytest.approx(stats.norm.ppf(0.95), rel=1e-15)
    for alike in (1, 3):
        same = t_quantile(0.9, np.full(alike, 4.0))
        np.testing.assert_allclose(same, np.full(alike, stats.t.ppf(0.95, 4)), rtol=1e-12)
    assert t_quantile(0.9, np.zeros(0)).shape == (0,)
    assert float(t_quantile(0.9, np.array(1.0))) == pytest.approx(stats.t.ppf(0.95, 1), rel=1e-12)
