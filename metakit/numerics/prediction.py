"""Where the effect in a new centre is expected: intervals, and probabilities beyond a threshold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.distributions import t_quantile
from metakit.numerics.quadratic_forms import contrast_form_below
from metakit.numerics.weights import IndexArray, Studies, Weighted, greater, weigh


@dataclass(frozen=True, slots=True, eq=False)
class PredictionIntervals:
    """Interval for the effect in a new centre; arrays of the batch shape.

    `df` are the degrees of freedom of the t quantile. With fewer than three studies the interval is
    unbounded.
    """

    lower: FloatArray
    upper: FloatArray
    df: FloatArray
    converged: BoolArray


class PredictionKernel(Protocol):
    """A prediction interval, given the weights of the studies."""

    def __call__(self, studies: Studies, weights: Weighted, level: float) -> PredictionIntervals:
        """Return the limits."""
        ...


def _around_mean(
    studies: Studies, weights: Weighted, level: float, *, df: FloatArray, scaled: bool
) -> PredictionIntervals:
    factor = weights.squares() / studies.spare if scaled else 1.0
    reach = t_quantile(level, df * (studies.count > 2)) * np.sqrt(
        weights.tau2 + factor / weights.total + _TINY
    )
    estimate = studies.anchor_effect + weights.mean
    return studies.unfold(PredictionIntervals(estimate - reach, estimate + reach, df, df < np.inf))


def higgins_thompson_spiegelhalter(studies: Studies, weights: Weighted, level: float) -> PredictionIntervals:
    """Mean +/- t(k - 2) sqrt(tau2 + SE^2) (Higgins, Thompson & Spiegelhalter 2009, eq. 12)."""
    return _around_mean(studies, weights, level, df=studies.count - 2, scaled=False)


def hartung_knapp_prediction(studies: Studies, weights: Weighted, level: float) -> PredictionIntervals:
    """Mean +/- t(k - 1) sqrt(tau2 + SE^2) with Hartung and Knapp's SE (Partlett & Riley 2017)."""
    return _around_mean(studies, weights, level, df=studies.count - 1, scaled=True)


def hartung_knapp_floor_prediction(studies: Studies, weights: Weighted, level: float) -> PredictionIntervals:
    """Mean +/- t(k - 1) sqrt(tau2 + SE^2) with the SE of the floored Hartung-Knapp interval.

    It therefore always holds that interval, and like it exists from two studies on.
    """
    factor = greater(weights.squares() / studies.spare, 1.0)
    df = studies.count - 1
    reach = t_quantile(level, df) * np.sqrt(weights.tau2 + factor / weights.total + _TINY)
    estimate = studies.anchor_effect + weights.mean
    return studies.unfold(PredictionIntervals(estimate - reach, estimate + reach, df, df < np.inf))


_TINY = float(np.finfo(float).tiny)
"""Keeps an infinite quantile times a spread of zero infinite."""

DRAWS = 20_000
"""Bootstrap draws an analysis."""

SEED = 20190101
"""Seed of the bootstrap, fixed so that the same data give the same interval."""

_GRID = 400


def bootstrap_prediction(
    studies: Studies, weights: Weighted, level: float, *, draws: int = DRAWS, seed: int = SEED
) -> PredictionIntervals:
    """Parametric bootstrap of Nagashima, Noma & Furukawa (2019).

    tau2 is drawn from its confidence distribution (the exact distribution of Cochran's Q as a function of
    tau2); given it, the mean from a t distribution with Hartung and Knapp's standard error and the new
    effect around the mean. The interval is between the percentiles.

    Parameters
    ----------
    studies : Studies
    weights : Weighted
        Not used: the method draws tau2.
    level : float
    draws, seed : int
        Number of draws, and the seed that each analysis of a batch starts from.

    Returns
    -------
    PredictionIntervals
    """
    del weights
    rows = studies.as_rows()
    lower, upper = np.full(rows.rows, -np.inf), np.full(rows.rows, np.inf)
    for row in np.flatnonzero(rows.count > 2):
        one = rows.take(np.array([row]))
        generator = np.random.default_rng(seed)
        between = _draw_tau2(one, generator.random(draws))
        mean, error = _mean_and_error(one, between)
        df = float(one.count[0] - 1)
        new = mean + np.sqrt(between) * generator.standard_normal(draws)
        new -= error * generator.standard_t(df, draws)
        lower[row], upper[row] = np.quantile(new, [(1 - level) / 2, (1 + level) / 2])
    return rows.unfold(PredictionIntervals(lower, upper, rows.count - 1, lower <= upper))


def _draw_tau2(one: Studies, uniform: FloatArray) -> FloatArray:
    """Turn uniform numbers into draws of tau2: zero below P(Q > q | tau2 = 0), else the inverse."""
    weights = weigh(one, np.zeros(1))
    q, total = weights.squares(), weights.contrast_total()

    def confidence(tau2: FloatArray) -> FloatArray:
        index = np.zeros(len(tau2), dtype=np.intp)
        return 1.0 - contrast_form_below(one.take(index), q[index], tau2, weight_power=1.0)

    small = 1e-3 * float(one.anchor_variance[0])
    end = max(float(q[0] / total[0]), small)
    while float(confidence(np.array([end]))[0]) < 1 - 0.01 / len(uniform):
        end *= 4
    grid = small * np.expm1(np.linspace(0.0, np.log1p(end / small), _GRID))
    reached = np.maximum.accumulate(confidence(grid))
    drawn = small * np.expm1(np.interp(uniform, reached, np.log1p(grid / small)))
    return np.where(uniform <= reached[0], 0.0, drawn)


def _mean_and_error(one: Studies, tau2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean and Hartung and Knapp's standard error of one analysis at many tau2."""
    block = max(1, (1 << 20) // one.effect.shape[1])
    mean, error = np.empty_like(tau2), np.empty_like(tau2)
    for first in range(0, len(tau2), block):
        part = slice(first, first + block)
        index: IndexArray = np.zeros(len(tau2[part]), dtype=np.intp)
        weights = weigh(one.take(index), tau2[part])
        mean[part] = one.anchor_effect + weights.mean
        error[part] = np.sqrt(weights.squares() / ((one.count - 1) * weights.total))
    return mean, error


def share_below(threshold: ArrayLike, estimate: ArrayLike, tau2: ArrayLike) -> FloatArray:
    """Return the share of true effects below `threshold` when they are normal around `estimate`.

    The normal form of Mathur & VanderWeele (2019), which takes mean and tau2 as known. With tau2 = 0 all
    true effects equal the mean: the share is 0 or 1, and one half at the mean itself.
    """
    gap = np.asarray(threshold, dtype=float) - np.asarray(estimate, dtype=float)
    tau = np.sqrt(np.asarray(tau2, dtype=float))
    spread = np.where(tau > 0, tau, 1.0)
    return np.asarray(np.where(tau > 0, special.ndtr(gap / spread), 0.5 * (1 + np.sign(gap))), dtype=float)


def share_below_limits(
    studies: Studies, threshold: float, level: float, *, draws: int = DRAWS, seed: int = SEED
) -> tuple[float, float]:
    """Return an interval for the share of true effects below `threshold`, for one analysis.

    The same draws as `bootstrap_prediction`: tau2 from its confidence distribution, given it the mean from
    a t distribution with Hartung and Knapp's standard error; the share of each pair, and the percentiles of
    the shares. Mathur & VanderWeele (2019) give a delta-method interval for many studies; this one holds at
    tau2 = 0 and with few studies as well.

    Parameters
    ----------
    studies : Studies
        One analysis of at least three studies.
    threshold : float
        On the analysis scale.
    level : float
    draws, seed : int

    Returns
    -------
    tuple of float
        Lower and upper limit, between 0 and 1.
    """
    one = studies.as_rows()
    generator = np.random.default_rng(seed)
    between = _draw_tau2(one, generator.random(draws))
    mean, error = _mean_and_error(one, between)
    mean = mean - error * generator.standard_t(float(one.count[0] - 1), draws)
    lower, upper = np.quantile(share_below(threshold, mean, between), [(1 - level) / 2, (1 + level) / 2])
    return float(lower), float(upper)


def probability_below(
    threshold: ArrayLike, estimate: ArrayLike, standard_error: ArrayLike, tau2: ArrayLike, df: ArrayLike
) -> FloatArray:
    """Return the probability that a new centre's true effect lies below `threshold`.

    The t form, which allows for the uncertainty of the mean: the same distribution as the prediction
    interval's, a t of `df` degrees of freedom around the mean with scale sqrt(tau2 + SE^2).
    """
    scale = np.sqrt(np.asarray(tau2, dtype=float) + np.asarray(standard_error, dtype=float) ** 2)
    gap = np.asarray(threshold, dtype=float) - np.asarray(estimate, dtype=float)
    freedom = np.asarray(df, dtype=float)
    spread = np.where(scale > 0, scale, 1.0)
    finite = np.where(np.isfinite(freedom), freedom, 1.0)
    below = np.where(np.isfinite(freedom), special.stdtr(finite, gap / spread), special.ndtr(gap / spread))
    return np.asarray(np.where(scale > 0, below, 0.5 * (1 + np.sign(gap))), dtype=float)
