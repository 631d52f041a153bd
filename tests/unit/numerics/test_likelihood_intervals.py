"""Limits of likelihood against a search by hand over the likelihood written out.

Source: Hardy RJ, Thompson SG 1996, Stat Med 15:619-629: all values whose likelihood, maximised over the rest, lies
within half the chi-squared quantile of the highest.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from metakit.numerics.likelihood_intervals import profile_likelihood_tau2
from metakit.numerics.weights import prepare

Y = np.array([0.1, 0.9, -0.4, 1.6, 0.3, -0.2])
V = np.array([0.05, 0.1, 0.2, 0.02, 0.4, 0.15])


def profile(tau2: float) -> float:
    weight = 1 / (V + tau2)
    mean = (weight * Y).sum() / weight.sum()
    return float(stats.norm.logpdf(Y, mean, np.sqrt(V + tau2)).sum())


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_spread_lies_where_its_likelihood_is_high_enough(level: float) -> None:
    best = optimize.minimize_scalar(
        lambda t: -profile(t), bounds=(0, 5), method="bounded", options={"xatol": 1e-12}
    )
    floor = -best.fun - stats.chi2.ppf(level, 1) / 2
    upper = optimize.brentq(lambda t: profile(t) - floor, best.x, 50, xtol=1e-12)
    lower = (
        0.0 if profile(0) >= floor else optimize.brentq(lambda t: profile(t) - floor, 0, best.x, xtol=1e-12)
    )
    found = profile_likelihood_tau2(prepare(Y, V), level)
    assert float(np.squeeze(found.upper)) == pytest.approx(upper, rel=1e-7)
    assert float(np.squeeze(found.lower)) == pytest.approx(lower, rel=1e-6, abs=1e-9)
