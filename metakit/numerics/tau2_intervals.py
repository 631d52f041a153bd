"""Intervals for the between-study variance by inverting tests on generalised Q statistics."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.distributions import chi_squared_quantile
from metakit.numerics.quadratic_forms import contrast_form_below
from metakit.numerics.roots import LIMIT, root_in_bracket
from metakit.numerics.tau2 import solve_generalised_q
from metakit.numerics.weights import IndexArray, Studies, weighted


@dataclass(frozen=True, slots=True, eq=False)
class Tau2Intervals:
    """Interval for tau2; arrays of the batch shape.

    `empty` marks analyses whose effects agree so closely that no tau2 >= 0 is compatible with them at
    this level; both limits are then 0. With one study the interval is [0, infinity).
    """

    lower: FloatArray
    upper: FloatArray
    empty: BoolArray
    converged: BoolArray


class Tau2IntervalKernel(Protocol):
    """An interval for tau2."""

    def __call__(self, studies: Studies, level: float) -> Tau2Intervals:
        """Return the limits; arrays of the batch shape."""
        ...


def _answer(
    studies: Studies, lower: FloatArray, upper: FloatArray, empty: BoolArray, converged: BoolArray
) -> Tau2Intervals:
    several = studies.count > 1
    return studies.unfold(
        Tau2Intervals(
            lower=np.where(several, lower, 0.0),
            upper=np.where(several, upper, np.inf),
            empty=several & empty,
            converged=~several | converged,
        )
    )


def q_profile(studies: Studies, level: float) -> Tau2Intervals:
    """Values of tau2 at which the generalised Q meets its chi-squared quantiles (Viechtbauer 2007).

    Examples
    --------
    >>> from metakit.numerics.weights import prepare
    >>> found = q_profile(prepare([0.1, 0.9, -0.4], [0.04, 0.05, 0.06]), 0.95)
    >>> round(float(found.lower), 3), round(float(found.upper), 2)
    (0.063, 16.93)
    """
    studies = studies.as_rows()
    df = studies.spare
    lower, _, low_done = solve_generalised_q(studies, chi_squared_quantile((1 + level) / 2, df))
    upper, below, high_done = solve_generalised_q(studies, chi_squared_quantile((1 - level) / 2, df))
    return _answer(studies, lower, upper, below, low_done & high_done)


def generalised_q(studies: Studies, level: float) -> Tau2Intervals:
    """Invert the exact test on a generalised Cochran statistic with fixed weights (Jackson 2013).

    The weights are the reciprocals of the within-study standard errors, which Jackson proposes when
    little is known beforehand about the extent of heterogeneity. The statistic is a weighted sum of
    chi-squared variables; its distribution is integrated numerically.
    """
    studies = studies.as_rows()
    several = np.flatnonzero(studies.count > 1)
    live = studies.take(several)
    weights = weighted(live, live.others / np.sqrt(live.variance), 1.0 / np.sqrt(live.anchor_variance))
    q = weights.squares()
    total = weights.contrast_total()
    upper, empty, upper_done = _invert(live, q, total, (1 - level) / 2)
    lower, _, lower_done = _invert(live, q, total, (1 + level) / 2)
    every = np.zeros((3, studies.rows))
    every[:, several] = lower, upper, empty
    done = np.ones(studies.rows, dtype=bool)
    done[several] = upper_done & lower_done
    return _answer(studies, every[0], every[1], every[2] > 0, done)


def _invert(
    studies: Studies, q: FloatArray, total: FloatArray, probability: float
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Find tau2 at which the statistic is below `q` with the given probability, which falls in tau2.

    Returns the limit, whether the probability is too small even at zero, and whether the search settled.
    """

    def excess(tau2: FloatArray, rows: IndexArray) -> FloatArray:
        return contrast_form_below(studies.take(rows), q[rows], tau2, weight_power=0.5) - probability

    limit, done = np.zeros(studies.rows), np.ones(studies.rows, dtype=bool)
    none = excess(limit, np.arange(studies.rows)) <= 0
    rows = np.flatnonzero(~none)
    high = q[rows] / total[rows]  # where the statistic's mean has passed q; from there by steps
    for _ in range(LIMIT):
        short = excess(high, rows) > 0
        if not short.any():
            break
        high = np.where(short, 4 * high, high)
    found = root_in_bracket(lambda t, part: excess(t, rows[part]), np.zeros(len(rows)), high)
    limit[rows], done[rows] = found.root, found.converged
    return limit, none, done
