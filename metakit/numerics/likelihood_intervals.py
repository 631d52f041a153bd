"""Profile-likelihood intervals for the mean effect and for tau2 (Hardy & Thompson 1996).

Both belong to the fit by maximum likelihood, whatever estimator of tau2 the rest of an analysis uses.
A likelihood with several maxima can have a profile that dips below the limit and rises again; the
interval for tau2 is then the hull of all values above it.
"""

from __future__ import annotations

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.distributions import normal_quantile
from metakit.numerics.likelihood import log_likelihood, maximise, scan
from metakit.numerics.mean_intervals import MeanIntervals
from metakit.numerics.roots import LIMIT, Plain, newton_in_bracket, root_in_bracket
from metakit.numerics.tau2_intervals import Tau2Intervals
from metakit.numerics.weights import IndexArray, Studies, Weighted, dot, weigh


def profile_likelihood(studies: Studies, weights: Weighted, level: float) -> MeanIntervals:
    """Means whose likelihood, maximised over tau2, lies within the chi-squared limit of its top.

    Parameters
    ----------
    studies : Studies
    weights : Weighted
        Not used: the interval belongs to maximum likelihood.
    level : float

    Returns
    -------
    MeanIntervals
        `estimate` and `standard_error` are those of maximum likelihood.
    """
    del weights
    studies = studies.as_rows()
    best = maximise(studies, restricted=False)
    fit = weigh(studies, best.tau2)
    error = 1 / np.sqrt(fit.total)
    top = log_likelihood(studies, best.tau2, restricted=False)
    reach = normal_quantile(level)
    settled = best.converged.copy()

    def beyond(distance: FloatArray, rows: IndexArray, side: float) -> tuple[FloatArray, FloatArray]:
        """Signed root of the deviance less its quantile, turned so that it falls, and its slope."""
        live = studies.take(rows)
        mean = fit.mean[rows] + side * distance
        inner = maximise(live, restricted=False, mean=mean)
        settled[rows] &= inner.converged
        height = log_likelihood(live, inner.tau2, restricted=False, mean=mean)
        root = np.sqrt(np.maximum(2 * (top[rows] - height), 0.0))
        spread = live.variance + inner.tau2[:, None]
        pull = dot(live.others / spread, live.effect - mean[:, None])
        pull -= mean / (live.anchor_variance + inner.tau2)
        with np.errstate(divide="ignore", invalid="ignore"):
            return reach - root, side * pull / root

    every = np.arange(studies.rows)
    limits = []
    for side in (-1.0, 1.0):
        near, far = np.zeros(studies.rows), reach * error
        for _ in range(LIMIT):
            outside = beyond(far, every, side)[0] < 0
            if outside.all():
                break
            near, far = np.where(outside, near, far), np.where(outside, far, 2 * far)
        found = newton_in_bracket(
            lambda distance, rows, turn=side: beyond(distance, rows, turn),  # type: ignore[misc]
            near,
            far,
            0.5 * (near + far),
        )
        settled &= found.converged
        limits.append(studies.anchor_effect + fit.mean + side * found.root)
    ones, estimate = np.ones(studies.rows), studies.anchor_effect + fit.mean
    return studies.unfold(
        MeanIntervals(
            estimate=estimate,
            standard_error=error,
            lower=limits[0],
            upper=limits[1],
            df=np.inf * ones,
            factor=ones,
            raw_factor=ones,
            converged=settled,
        )
    )


def _crossing(
    function: Plain, low: FloatArray, high: FloatArray, at_zero: BoolArray
) -> tuple[FloatArray, BoolArray]:
    """Return the root between `low` and `high`, or zero where zero itself is inside the interval."""
    rows = np.flatnonzero(~at_zero)
    limit, done = np.zeros(len(low)), np.ones(len(low), dtype=bool)
    found = root_in_bracket(lambda t, part: function(t, rows[part]), low[rows], high[rows])
    limit[rows], done[rows] = found.root, found.converged
    return limit, done


def profile_likelihood_tau2(studies: Studies, level: float) -> Tau2Intervals:
    """Values of tau2 whose likelihood, maximised over the mean, lies within the chi-squared limit."""
    studies = studies.as_rows()
    found = scan(studies, restricted=False)
    best = maximise(studies, restricted=False)
    floor = log_likelihood(studies, best.tau2, restricted=False) - 0.5 * normal_quantile(level) ** 2

    def above(tau2: FloatArray, rows: IndexArray) -> FloatArray:
        return log_likelihood(studies.take(rows), tau2, restricted=False) - floor[rows]

    every = np.arange(studies.rows)
    points = found.grid.shape[1]
    inside = np.stack([above(found.grid[:, point], every) >= 0 for point in range(points)], axis=1)

    # Lower limit: between the last grid point outside before the first value known inside, and that one.
    first = np.where(inside.any(axis=1), inside.argmax(axis=1), points)
    known = np.where(first < points, found.grid[every, np.minimum(first, points - 1)], best.tau2)
    known = np.minimum(known, best.tau2)
    outside = (found.grid < known[:, None]) & ~inside
    start = np.where(outside, found.grid, 0.0).max(axis=1)
    lower, lower_done = _crossing(above, start, known, inside[:, 0])

    # Upper limit: beyond the last value known inside; past the grid the likelihood only falls.
    last = np.where(inside, found.grid, 0.0).max(axis=1)
    known = np.maximum(last, best.tau2)
    high = np.maximum(2 * known, studies.anchor_variance)
    for _ in range(LIMIT):
        still = above(high, every) >= 0
        if not still.any():
            break
        high = np.where(still, 4 * high, high)
    outside = (found.grid > known[:, None]) & ~inside
    high = np.minimum(high, np.where(outside, found.grid, np.inf).min(axis=1))
    upper, upper_done = _crossing(above, known, high, np.zeros(studies.rows, dtype=bool))

    several = studies.count > 1
    settled = ~several | (best.converged & lower_done & upper_done)
    return studies.unfold(
        Tau2Intervals(
            lower=np.where(several, lower, 0.0),
            upper=np.where(several, upper, np.inf),
            empty=np.zeros(studies.rows, dtype=bool),
            converged=settled,
        )
    )
