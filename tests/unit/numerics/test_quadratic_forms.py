"""Distribution of weighted sums of squared contrasts: chi-squared and normal special cases, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from metakit.numerics.quadratic_forms import contrast_form_below
from metakit.numerics.weights import prepare


@pytest.mark.parametrize("k", [2, 3, 5, 30, 2000])
@pytest.mark.parametrize("probability", [1e-6, 0.025, 0.5, 0.975])
def test_equal_variances_are_chi_squared(k: int, probability: float) -> None:
    quantile = stats.chi2.ppf(probability, k - 1)
    studies = prepare(np.zeros((1, k)), np.full((1, k), 2.0))
    below = contrast_form_below(studies, np.array([1.5 * quantile]), np.array([1.0]), weight_power=1.0)
    assert below[0] == pytest.approx(probability, abs=1e-11)


# Three studies leave two terms: one integral over a chi-squared density, by scipy's quad.
@pytest.mark.parametrize("seed", range(6))
def test_two_unequal_terms_against_numerical_integration(seed: int) -> None:
    rng = np.random.default_rng(seed)
    v, tau2 = 10 ** rng.uniform(-3, 3, 3), 10 ** rng.uniform(-3, 3)
    a = v**-0.5
    root = np.diag(np.sqrt(v + tau2))
    small, large = np.linalg.eigvalsh(root @ (np.diag(a) - np.outer(a, a) / a.sum()) @ root)[1:]
    q = rng.uniform(0.1, 3) * (small + large)
    expected, _ = integrate.quad(
        lambda u: 2 * stats.norm.pdf(u) * stats.chi2.cdf((q - large * u * u) / small, 1),
        0, np.sqrt(q / large), epsabs=1e-13, limit=400,
    )  # fmt: skip
    studies = prepare(np.zeros((1, 3)), v[None, :])
    below = contrast_form_below(studies, np.array([q]), np.array([tau2]), weight_power=0.5)
    assert below[0] == pytest.approx(expected, abs=1e-9)


def test_nothing_lies_below_zero_and_padding_changes_nothing() -> None:
    v = np.array([[0.1, 0.4, 0.2]])
    studies = prepare(np.zeros((1, 3)), v)
    zero = np.zeros(1)
    assert contrast_form_below(studies, zero, zero, weight_power=1.0)[0] == 0
    padded = prepare(np.zeros((1, 5)), np.pad(v, ((0, 0), (0, 2))), np.array([[True] * 3 + [False] * 2]))
    q = np.array([1.3])
    assert contrast_form_below(padded, q, zero, weight_power=0.5)[0] == pytest.approx(
        contrast_form_below(studies, q, zero, weight_power=0.5)[0], abs=1e-14
    )
