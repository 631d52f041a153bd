"""Regressions on precision, against statsmodels and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from metakit.numerics.small_study import limit_fit, on_a_line, precision_regression

RANDOM = np.random.default_rng(17)
VARIANCE = RANDOM.uniform(0.02, 0.5, 8)
EFFECT = RANDOM.normal(0.3, np.sqrt(VARIANCE)) + 0.5 * np.sqrt(VARIANCE)


@pytest.mark.parametrize("power", [0.5, 1.0])
def test_effects_on_errors_or_variances(power: float) -> None:
    found = precision_regression(EFFECT, VARIANCE, VARIANCE**power)
    fit = sm.WLS(EFFECT, sm.add_constant(VARIANCE**power), weights=1 / VARIANCE).fit()
    assert [float(found.intercept), float(found.slope)] == pytest.approx(fit.params, rel=1e-10)
    assert [float(found.intercept_error), float(found.slope_error)] == pytest.approx(fit.bse, rel=1e-10)
    assert float(found.dispersion) == pytest.approx(fit.scale, rel=1e-10)


@pytest.mark.parametrize("tau2", [0.0, 0.07])
def test_the_limit_of_a_study_without_error(tau2: float) -> None:
    """effect = beta + root (alpha + noise), root the whole spread; studies of infinite precision have root tau."""
    found = limit_fit(EFFECT, VARIANCE, tau2)
    root, tau = np.sqrt(VARIANCE + tau2), np.sqrt(tau2)
    design = np.column_stack((np.ones(8), root))
    inverse = np.linalg.inv(design.T @ (design / root[:, None] ** 2))
    beta, alpha = inverse @ design.T @ (EFFECT / root**2)
    assert (float(found.mean), float(found.bias)) == pytest.approx((beta, alpha), rel=1e-10)
    assert float(found.bias_error) == pytest.approx(np.sqrt(inverse[1, 1]), rel=1e-10)
    assert float(found.estimate) == pytest.approx(beta + tau * alpha, rel=1e-10)
    way = np.array([1.0, tau])
    assert float(found.standard_error) == pytest.approx(np.sqrt(way @ inverse @ way), rel=1e-10)
    # each study at infinite precision keeps its own standardised residual: beta + tau (alpha + its noise)
    noise = (EFFECT - beta) / root - alpha
    assert found.limit_effect == pytest.approx(beta + tau * (alpha + noise), rel=1e-9, abs=1e-12)


def test_a_batch_equals_a_loop() -> None:
    many, spread = np.stack([EFFECT, -EFFECT, EFFECT[::-1]]), np.stack([VARIANCE, VARIANCE, VARIANCE[::-1]])
    batch = limit_fit(many, spread, np.array([0.0, 0.07, 0.2]))
    for row, tau2 in enumerate((0.0, 0.07, 0.2)):
        one = limit_fit(many[row], spread[row], tau2)
        assert float(batch.estimate[row]) == pytest.approx(float(one.estimate), rel=1e-13)
        assert batch.limit_effect[row] == pytest.approx(one.limit_effect, rel=1e-13)


def test_a_line_is_one_but_for_rounding() -> None:
    weight, effect = np.array([1.0, 4.0]), np.array([2.0, 3.0])
    assert on_a_line(1e-24 * 40.0, effect, weight)
    assert not on_a_line(1.01e-24 * 40.0, effect, weight)
    assert on_a_line(0.0, effect, weight)
