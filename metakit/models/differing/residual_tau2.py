"""Estimators of the variance left after moderators, tests of coefficients, and the test by permutation."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.registry import Registry
from metakit.errors import ConvergenceError, UnknownNameError
from metakit.numerics import meta_regression as kernel


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualTau2Estimator:
    """An estimator of tau2 given moderators."""

    name: str
    kernel: Callable[[FloatArray, FloatArray, FloatArray], kernel.ResidualTau2]


RESIDUAL_TAU2_ESTIMATORS: Registry[ResidualTau2Estimator] = Registry("residual tau2 estimator")
for _name, _kernel in (
    ("reml", kernel.restricted_likelihood),
    ("maximum_likelihood", kernel.likelihood),
    ("dersimonian_laird", kernel.common_effect_moments),
    ("hedges_olkin", kernel.equal_weight_moments),
    ("paule_mandel", kernel.generalised_q),
    ("empirical_bayes", kernel.generalised_q),
):
    RESIDUAL_TAU2_ESTIMATORS.add(ResidualTau2Estimator(name=_name, kernel=_kernel))

TESTS = ("knapp_hartung", "knapp_hartung_floor", "t", "wald")
UNSCALED = ("t", "wald")
TEST_OF_INTERVAL = {
    "hartung_knapp": "knapp_hartung",
    "hartung_knapp_floor": "knapp_hartung_floor",
    "t": "t",
    "wald": "wald",
}
"""The test of coefficients that goes with an interval of a mean: the same errors and quantiles."""


def test_of_interval(interval: str) -> str:
    """Return the test of coefficients by the name of an interval of a mean.

    Raises
    ------
    UnknownNameError
        For an interval that regressions do not have.
    """
    if interval not in TEST_OF_INTERVAL:
        raise UnknownNameError("interval of a meta-regression", interval, TEST_OF_INTERVAL)
    return TEST_OF_INTERVAL[interval]


def permutation_p(
    y: FloatArray,
    v: FloatArray,
    x: FloatArray,
    estimator: ResidualTau2Estimator,
    test: str,
    count: int,
    seed: int,
) -> FloatArray:
    """Return the share of reorderings of the moderators whose statistics are at least as far from zero.

    The effects stay with their variances; the rows of the design are reordered. All k! orders when they
    are no more than `count`, otherwise the given order and `count` - 1 random ones.
    """
    k = len(y)
    if k <= 9 and math.factorial(k) <= count:
        orders = np.array(list(itertools.permutations(range(k))))
    else:
        generator = np.random.default_rng(seed)
        orders = np.vstack((np.arange(k), [generator.permutation(k) for _ in range(count - 1)]))
    statistics = np.concatenate(
        [
            _statistics(y, v, x[chunk], estimator, test)
            for chunk in np.array_split(orders, -(-len(orders) // 10_000))
        ]
    )
    observed = np.abs(_statistics(y, v, x[None], estimator, test)[0])
    # Ties with the observed order count as at least as extreme; they differ from it by rounding only.
    share: FloatArray = np.mean(np.abs(statistics) >= observed * (1 - 1e-9), axis=0)
    return share


def _statistics(
    y: FloatArray, v: FloatArray, x: FloatArray, estimator: ResidualTau2Estimator, test: str
) -> FloatArray:
    between = estimator.kernel(y, v, x)
    if not np.all(between.converged):
        raise ConvergenceError(
            "tau2 did not settle in every permutation; use tau2 dersimonian_laird for this test"
        )
    fit = kernel.regress(y, 1.0 / (v + between.tau2[..., None]), x)
    factor = np.ones_like(fit.q)
    if test not in UNSCALED:
        factor = fit.q / (x.shape[-2] - x.shape[-1])
        factor = np.maximum(factor, 1.0) if test == "knapp_hartung_floor" else factor
    errors = np.sqrt(np.diagonal(fit.covariance, axis1=-2, axis2=-1) * factor[..., None])
    statistics: FloatArray = fit.coefficients / errors
    return statistics
