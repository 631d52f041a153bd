"""Henmi and Copas's interval: common-effect mean, random-effects variance, its own reference distribution.

The common-effect weights make the mean robust against small-study bias. With R the standardised mean and
Q Cochran's statistic, the pivot (mean - truth) / (its standard error at the moment estimate of tau2) is
larger than u where Q is below a bound that depends on R. Given R, the effects are normal, which gives the
first two moments of Q; a gamma distribution with these moments stands for Q, and the tail probability of
the pivot is the integral over R.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.distributions import normal_quantile
from metakit.numerics.mean_intervals import MeanIntervals
from metakit.numerics.roots import root_in_bracket
from metakit.numerics.tau2 import dersimonian_laird
from metakit.numerics.weights import IndexArray, Studies, Weighted, dot, weigh

_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(96)
_FAR = 9.0
"""End of the integral over the standardised mean: the normal tail beyond it is below 1e-18."""


class _Pivot:
    """Moments of Q given the standardised mean, one set a row; all sums without cancellation.

    u_i = 1 + tau2 w_i is the weight times the full variance of study i, and q_i = w_i u_i / sum(w u) its
    share in the variance of the mean.
    """

    def __init__(self, studies: Studies, tau2: FloatArray) -> None:
        weights = weigh(studies, 0.0)
        w, anchor_w = weights.others, weights.anchor
        u, anchor_u = 1 + tau2[:, None] * w, 1 + tau2 * anchor_w
        spread = dot(w, u) + anchor_w * anchor_u
        q = w * u / spread[:, None]
        anchor_q, rest_q = anchor_w * anchor_u / spread, dot(q, studies.others)
        crossed = dot(q, u)
        self.mean_q = dot(u * (1 - q), studies.others) + anchor_u * rest_q
        kept = u * (1 - q) * studies.others
        squares = dot(kept, kept) + (anchor_u * rest_q) ** 2
        squares += crossed**2 - dot(q * u, q * u) + 2 * anchor_u * anchor_q * crossed
        second = dot(w, w)
        centre_gap = (anchor_w * weights.others_total - second) / weights.total
        gap = (anchor_w[:, None] - w) * studies.others  # distance of each weight from the anchor's
        deviation = centre_gap[:, None] - gap
        self.mean_slope = tau2**2 * (dot(w * deviation, deviation) + anchor_w * centre_gap**2) / spread
        self.variance = 2 * squares
        self.variance_slope = 4 * tau2**2 * (dot(q * gap, gap) - dot(q, gap) ** 2)
        self.reach = weights.total * weights.contrast_total() / (second + anchor_w**2)
        self.df = studies.count - 1

    def tail(self, x: FloatArray, rows: IndexArray) -> FloatArray:
        """Probability that the pivot, in units of the mean's standardised spread, exceeds x."""
        half = 0.5 * (_FAR - x[:, None])
        r = x[:, None] + half * (1 + _NODES)
        mean = self.mean_q[rows, None] + self.mean_slope[rows, None] * r**2
        variance = self.variance[rows, None] + self.variance_slope[rows, None] * r**2
        bound = self.df[rows, None] + self.reach[rows, None] * ((r / x[:, None]) ** 2 - 1)
        below = special.gammainc(mean**2 / variance, bound * mean / variance)
        density = np.exp(-0.5 * r**2) / np.sqrt(2 * np.pi)
        return dot(half * below * density, np.broadcast_to(_NODE_WEIGHTS, r.shape))


def henmi_copas(studies: Studies, weights: Weighted, level: float) -> MeanIntervals:
    """Interval of Henmi & Copas (2010) around the common-effect mean.

    Parameters
    ----------
    studies : Studies
    weights : Weighted
        Not used: the method is built on DerSimonian and Laird's estimate.
    level : float

    Returns
    -------
    MeanIntervals
        `standard_error` is the random-effects standard error of the common-effect mean; `factor` is the
        squared ratio of the method's quantile to the normal one.
    """
    del weights
    studies = studies.as_rows()
    between = studies.fold(dersimonian_laird(studies).tau2)
    plain = weigh(studies, 0.0)
    second = dot(plain.others, plain.others) + plain.anchor**2
    inflation = 1 + between * second / plain.total
    error = np.sqrt(inflation / plain.total)
    rows = np.flatnonzero(studies.count > 1)
    pivot = _Pivot(studies.take(rows), between[rows])
    normal = normal_quantile(level)
    found = root_in_bracket(
        lambda log_x, part: pivot.tail(np.exp(log_x), part) - (1 - level) / 2,
        np.full(len(rows), np.log(normal) - 40.0),
        np.full(len(rows), np.log(normal)),
    )
    reach, settled = np.full(studies.rows, np.inf), np.ones(studies.rows, dtype=bool)
    reach[rows], settled[rows] = np.exp(found.root) * np.sqrt(inflation[rows]), found.converged
    estimate = studies.anchor_effect + plain.mean
    finite = np.where(np.isfinite(reach), reach, normal)
    half = np.where(np.isfinite(reach), finite * error, np.inf)
    factor = (finite / normal) ** 2
    return studies.unfold(
        MeanIntervals(
            estimate=estimate,
            standard_error=error,
            lower=estimate - half,
            upper=estimate + half,
            df=np.full(studies.rows, np.inf),
            factor=factor,
            raw_factor=factor,
            converged=settled,
        )
    )
