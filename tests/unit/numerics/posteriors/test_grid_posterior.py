"""Probabilities read off a table against those summed one by one; the table itself against a cubic."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from metakit.numerics.posteriors.grid_posterior import GridPosterior, _Table


def posterior(tau: float) -> GridPosterior:
    """A mean that is normal around 0.3 with deviation 0.2, and a new centre widened by tau."""
    step = 0.05
    points = -1.7 + step * np.arange(81)
    share = stats.norm.pdf(points, 0.3, 0.2) * step
    return GridPosterior(
        weight=np.ones(1), tau=np.array([tau]), start=np.array([-1.7]), step=np.array([step]),
        share=(share / share.sum())[None, :],
    )  # fmt: skip


@pytest.mark.parametrize(("tau", "new_centre"), [(0.0, False), (0.03, True), (0.8, True)])
def test_few_values_and_many_are_the_same_normal(tau: float, new_centre: bool) -> None:
    found, spread = posterior(tau), np.hypot(0.2, tau if new_centre else 0.0)
    few = np.linspace(0.3 - 3 * spread, 0.3 + 3 * spread, 9)
    many = np.linspace(0.3 - 3.3 * spread, 0.3 + 3.3 * spread, 400)
    for values in (few, many):
        assert found.below(values, new_centre=new_centre) == pytest.approx(
            stats.norm.cdf(values, 0.3, spread), abs=2e-8
        )
    away = found.below(np.concatenate([[-1e6], many, [1e6]]), new_centre=new_centre)
    assert (away[0], away[-1]) == pytest.approx((0.0, 1.0), abs=1e-9)
    p = np.array([1e-4, 0.025, 0.5, 0.9])
    assert found.quantile(p, new_centre=new_centre) == pytest.approx(stats.norm.ppf(p, 0.3, spread), abs=1e-6)
    assert found.quantile([0.0, 1.0], new_centre=new_centre).tolist() == [-np.inf, np.inf]
    assert found.moments() == pytest.approx((0.3, 0.2), rel=1e-9)


def test_a_cubic_is_read_back_exactly() -> None:
    """Hermite's cubic through values and slopes is the cubic itself, between all places and at both ends."""
    places = 2.0 + 0.5 * np.arange(5)

    def cubic(x: np.ndarray) -> np.ndarray:
        return 0.1 + 0.05 * (x - 2) + 0.02 * (x - 2) ** 2 + 0.01 * (x - 2) ** 3

    def slope(x: np.ndarray) -> np.ndarray:
        return 0.05 + 0.04 * (x - 2) + 0.03 * (x - 2) ** 2

    table = _Table(start=2.0, step=0.5, mass=cubic(places), slope=slope(places))
    at = np.linspace(2.0, 4.0, 41)
    assert table.read(at) == pytest.approx(cubic(at), rel=1e-12)
    assert table.read(np.array([-5.0, 9.0])) == pytest.approx(cubic(np.array([2.0, 4.0])), rel=1e-12)
