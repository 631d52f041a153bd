"""Batches of regressions: over effects, over designs, and over both, against one at a time."""

from __future__ import annotations

import numpy as np
import pytest

from metakit.numerics import meta_regression as kernel

RANDOM = np.random.default_rng(23)
K = 9
VARIANCE = RANDOM.uniform(0.02, 0.4, K)
EFFECTS = RANDOM.normal(0.2, 1.0, (3, K)) * np.sqrt(VARIANCE + 0.3)
DESIGNS = np.stack([np.column_stack((np.ones(K), RANDOM.normal(size=K))) for _ in range(3)])


@pytest.mark.parametrize(
    "function",
    [
        kernel.likelihood,
        kernel.restricted_likelihood,
        kernel.generalised_q,
        kernel.common_effect_moments,
        kernel.equal_weight_moments,
    ],
)
def test_any_of_effects_and_designs_may_be_a_batch(function) -> None:  # type: ignore[no-untyped-def]
    for effect, design in ((EFFECTS, DESIGNS), (EFFECTS, DESIGNS[0]), (EFFECTS[0], DESIGNS)):
        found = function(effect, VARIANCE, design)
        assert found.tau2.shape == (3,) and found.converged.all()
        for row in range(3):
            one = function(
                effect[row] if effect.ndim > 1 else effect,
                VARIANCE,
                design[row] if design.ndim > 2 else design,
            )
            assert float(found.tau2[row]) == pytest.approx(float(one.tau2), rel=1e-10, abs=1e-14)


def test_a_regression_by_normal_equations() -> None:
    weight, x = 1 / (VARIANCE + 0.1), DESIGNS[1]
    fit = kernel.regress(EFFECTS[1], weight, x)
    cross = np.linalg.inv(x.T @ (weight[:, None] * x))
    slopes = cross @ x.T @ (weight * EFFECTS[1])
    rest = EFFECTS[1] - x @ slopes
    assert fit.coefficients == pytest.approx(slopes, rel=1e-10)
    assert fit.covariance == pytest.approx(cross, rel=1e-10)
    assert fit.residual == pytest.approx(rest, rel=1e-9, abs=1e-13)
    assert float(fit.q) == pytest.approx((weight * rest**2).sum(), rel=1e-10)
    assert fit.leverage == pytest.approx(weight * np.einsum("ip,pq,iq->i", x, cross, x), rel=1e-10)
    assert fit.leverage.sum() == pytest.approx(2.0, rel=1e-12)
