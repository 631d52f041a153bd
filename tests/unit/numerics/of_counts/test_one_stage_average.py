"""Averages over a normal effect, with their derivatives, against scipy's quadrature and differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special, stats

from metakit.numerics.of_counts.one_stage_average import log_normal_average, logistic_normal_average


@pytest.mark.parametrize("average", [logistic_normal_average, log_normal_average])
@pytest.mark.parametrize(("mean", "spread"), [(-3.0, 1.0), (0.4, 0.3), (1.0, 0.8)])
def test_value_and_both_derivatives(average, mean: float, spread: float) -> None:
    inner = special.expit if average is logistic_normal_average else np.exp
    whole = integrate.quad(lambda z: inner(mean + spread * z) * stats.norm.pdf(z), -10, 10, epsabs=1e-13)[0]
    value, by_mean, by_spread = (float(part[0]) for part in average(np.array([mean]), np.array([spread])))
    assert value == pytest.approx(whole, rel=1e-8)

    def at(m: float, s: float) -> float:
        return float(average(np.array([m]), np.array([s]))[0][0])

    step = 1e-5
    assert by_mean == pytest.approx(
        (at(mean + step, spread) - at(mean - step, spread)) / (2 * step), rel=1e-6
    )
    assert by_spread == pytest.approx(
        (at(mean, spread + step) - at(mean, spread - step)) / (2 * step), rel=1e-6
    )
