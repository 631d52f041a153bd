"""Differences that stay exact where the plain formula loses digits. Expected values by mpmath."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest

from metakit.measures.stable import arcsine_difference, log_ratio


@pytest.mark.parametrize("cells", [(3, 37, 5, 36), (0, 20, 0, 30), (20, 0, 30, 0), (0, 20, 30, 0), (20, 0, 0, 30), (1, 10**12, 1, 10**12 + 1), (0.2, 0.1, 0.1, 0.3)])  # fmt: skip
def test_difference_of_arcs(cells: tuple[float, float, float, float]) -> None:
    a, b, c, d = map(mpmath.mpf, cells)
    with mpmath.workdps(50):
        wanted = mpmath.asin(mpmath.sqrt(a / (a + b))) - mpmath.asin(mpmath.sqrt(c / (c + d)))
    found = float(arcsine_difference(*(np.array(float(cell)) for cell in cells)))
    assert found == pytest.approx(float(wanted), rel=1e-12, abs=1e-25)


def test_log_of_a_ratio_near_one() -> None:
    found = float(log_ratio(np.array(1e15 + 2), np.array(1e15)))
    assert found == pytest.approx(2e-15, rel=1e-12)
    assert float(log_ratio(np.array(8.0), np.array(2.0))) == pytest.approx(np.log(4), rel=1e-15)


@pytest.mark.parametrize("denominator", [1e-6, 1.0, 1e9])
def test_ratios_near_one_keep_their_digits_whatever_the_unit(denominator: float) -> None:
    for part in (1e-9, -1e-7, 0.3):
        numerator = denominator + part * denominator
        with mpmath.workdps(50):
            exact = mpmath.log(mpmath.mpf(numerator) / mpmath.mpf(denominator))
        found = float(log_ratio(np.array(numerator), np.array(denominator)))
        assert found == pytest.approx(float(exact), rel=1e-13, abs=0)
