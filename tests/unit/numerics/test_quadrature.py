"""Quadrature rules are exact where theory says so, and adaptive panels find what hides between points."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special

from metakit.errors import ConvergenceError
from metakit.numerics.quadrature import adapt_panels, gauss_hermite_rule, panel_rule


@pytest.mark.parametrize("nodes", [5, 21, 81, 321])
def test_gauss_hermite_integrates_even_moments_of_the_normal(nodes: int) -> None:
    """Moments 1, 1, 3, 15 of a standard normal variable (any textbook)."""
    points, log_weights = gauss_hermite_rule(nodes)
    z = np.sqrt(2.0) * points[0]
    weight = np.exp(log_weights - points[0] ** 2) / np.sqrt(np.pi)
    moments = [float(np.sum(weight * z**power)) for power in (0, 2, 4, 6)]
    assert moments == pytest.approx([1, 1, 3, 15], rel=1e-12)


def test_product_rule_is_the_square_of_the_single_one() -> None:
    points, log_weights = gauss_hermite_rule(7, 2)
    assert points.shape == (2, 49)
    x, y = np.sqrt(2.0) * points
    weight = np.exp(log_weights - (points**2).sum(axis=0)) / np.pi
    assert np.sum(weight * x**2 * y**4) == pytest.approx(3.0, rel=1e-12)


@pytest.mark.parametrize("degree", range(24))
def test_kronrod_points_are_exact_up_to_degree_23(degree: int) -> None:
    """Kronrod's 15 points are exact to degree 22, and by symmetry 23; a mistyped digit would show here."""
    points, weights, gauss = panel_rule(np.array([0.0]), np.array([2.0]))
    exact = 2.0 ** (degree + 1) / (degree + 1)
    assert np.sum(weights * points**degree) == pytest.approx(exact, rel=1e-14)
    if degree <= 13:
        assert np.sum(gauss * points**degree) == pytest.approx(exact, rel=1e-14)


def test_kronrod_embeds_the_gauss_rule() -> None:
    points, _, gauss = panel_rule(np.array([-1.0]), np.array([1.0]))
    assert points[0, 1::2] == pytest.approx(special.roots_legendre(7)[0], abs=1e-15)
    assert np.all(gauss[0, 0::2] == 0)


def test_panels_are_halved_around_a_narrow_peak() -> None:
    """Against scipy.integrate.quad told where the peak is."""

    def peak(t: np.ndarray) -> np.ndarray:
        return np.stack([np.exp(-0.5 * ((t - 0.3) / 1e-4) ** 2), np.sqrt(t)])

    panels = adapt_panels(peak, np.linspace(0.0, 1.0, 1000))
    values = peak(panels.points.ravel()).reshape(2, *panels.points.shape)
    found = (values * panels.weights).sum(axis=(1, 2))
    expected, _ = integrate.quad(lambda t: float(peak(np.array([t]))[0, 0]), 0, 1, points=[0.3], epsabs=0)
    assert found[0] == pytest.approx(expected, rel=1e-10)
    assert found[1] == pytest.approx(2 / 3, rel=1e-11)
    assert panels.edges[0] == 0 and panels.edges[-1] == 1 and np.all(np.diff(panels.edges) > 0)


def test_an_integral_that_does_not_settle_is_an_error() -> None:
    def wild(t: np.ndarray) -> np.ndarray:
        return np.sign(np.sin(1.0 / np.maximum(t, 1e-12)))[None] + 1.5

    with pytest.raises(ConvergenceError, match="not settled with 50 panels"):
        adapt_panels(wild, np.linspace(0.0, 1.0, 5), most_panels=50)
