"""A share from weighted draws: probabilities, quantiles, mean."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from metakit.numerics.posteriors.share_distribution import below_by_nodes, counted, distribution, smooth


def test_a_beta_distribution_comes_back() -> None:
    """Source: scipy.stats.beta."""
    even = (np.arange(200_000) + 0.5) / 200_000
    shares = stats.beta(2, 5).ppf(even)
    found = distribution(counted(shares[None], np.ones(even.size))[0], float(shares.mean()))
    tails = np.array([0.025, 0.5, 0.975])
    assert found.quantiles(tails) == pytest.approx(stats.beta(2, 5).ppf(tails), abs=1e-4)
    assert found.below(np.array([0.1, 0.4])) == pytest.approx(stats.beta(2, 5).cdf([0.1, 0.4]), abs=1e-4)
    assert found.other.quantiles(tails) == pytest.approx(stats.beta(5, 2).ppf(tails), abs=1e-4)
    assert found.other.mean == pytest.approx(5 / 7, rel=1e-6)


def test_a_product_of_two_shares_is_that_of_draws() -> None:
    """Source: numpy's own Beta draws; Beta(2, 5) times Beta(7, 3) is Beta(2, 8) (Johnson, Kotz, Balakrishnan, from memory)."""
    even = (np.arange(200_000) + 0.5) / 200_000
    one, other = (
        distribution(counted(stats.beta(a, b).ppf(even)[None], np.ones(even.size))[0], a / (a + b))
        for a, b in ((2, 5), (7, 3))
    )
    tails = np.array([0.025, 0.5, 0.975])
    assert one.times(other).quantiles(tails) == pytest.approx(stats.beta(2, 8).ppf(tails), abs=0.01)
    assert one.times(other).mean == pytest.approx(0.2)
    drawn = np.random.default_rng(3).beta(2, 5, 1_000_000) * np.random.default_rng(4).beta(7, 3, 1_000_000)
    assert one.times(other).quantiles(tails) == pytest.approx(np.quantile(drawn, tails), abs=2e-3)


def test_nothing_and_all_lie_beyond_the_edges() -> None:
    found = distribution(counted(np.array([[0.0, 0.0, 0.0, 0.5, 1.0]]), np.ones(5))[0], 0.3)
    low, high = found.quantiles(np.array([0.1, 0.9])).tolist()
    assert low == 0.0
    assert high == pytest.approx(1, abs=1e-12)
    assert found.below(np.array([0.25, 1.0])) == pytest.approx([0.6, 1.0])


def test_a_smooth_curve_through_nodes_is_read_between_them() -> None:
    nodes = np.linspace(0, 3, 13)
    places = np.linspace(0.3, 2.7, 50)
    assert smooth(nodes, np.sin(nodes), places) == pytest.approx(np.sin(places), abs=1e-3)
    assert smooth(nodes, np.sin(nodes), np.array([-1.0, 9.0])) == pytest.approx([0.0, np.sin(3)])
    values, below = below_by_nodes(nodes, np.exp(-((nodes - 1.5) ** 2) / 0.18), (0.0, 3.0))
    assert np.interp([0.025, 0.5, 0.975], below, values) == pytest.approx(
        stats.norm(1.5, 0.3).ppf([0.025, 0.5, 0.975]), abs=5e-3
    )
