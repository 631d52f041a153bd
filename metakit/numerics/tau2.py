"""Estimators of the between-study variance that need no likelihood: moments, and generalised Q.

Each takes the cleaned studies and gives one `Tau2Estimate`; an estimate below zero becomes zero and is
flagged. An analysis of one study has nothing to estimate it from: it gets zero, not truncated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.roots import LIMIT, STEP_TOLERANCE, newton_in_bracket
from metakit.numerics.weights import IndexArray, Studies, Weighted, column, dot, weigh, weighted


@dataclass(frozen=True, slots=True, eq=False)
class Tau2Estimate:
    """Estimated between-study variance; arrays of the batch shape.

    `truncated` says that the estimate was cut off at zero, `maxima` how many local maxima the
    (restricted) likelihood has (1 for estimators without a likelihood).
    """

    tau2: FloatArray
    truncated: BoolArray
    converged: BoolArray
    maxima: IndexArray


_TINY = float(np.finfo(float).tiny)
"""Stands for a zero divisor where the dividend is zero too (one study): the quotient is then zero."""


def _estimate(studies: Studies, raw: FloatArray, converged: BoolArray | None = None) -> Tau2Estimate:
    """Cut the raw estimate at zero."""
    below = raw < 0
    return studies.unfold(
        Tau2Estimate(
            tau2=np.maximum(raw, 0.0),
            truncated=below & (studies.count > 1),
            converged=below | ~below if converged is None else converged,
            maxima=np.ones_like(below, dtype=np.intp),
        )
    )


def _squared_weight(weights: Weighted) -> FloatArray:
    """Return the sum of squared weights times squared residuals, minus the slope of Q in tau2."""
    pull, anchor_pull = weights.others * weights.residual, weights.anchor * weights.mean
    return dot(pull, pull) + anchor_pull * anchor_pull


def _moments(studies: Studies, weights: Weighted) -> FloatArray:
    """Return the method-of-moments estimate under any fixed weights (DerSimonian & Kacker 2007, eq. 6).

    [Q_a - (sum a v - sum a^2 v / sum a)] / (sum a - sum a^2 / sum a); the bracket is written as
    sum a v (1 - a / sum a), which does not cancel.
    """
    share_left = 1.0 - weights.others / column(weights.total)
    anchor_left = weights.others_total / weights.total
    expected = dot(weights.others * studies.variance, share_left)
    expected = expected + weights.anchor * studies.anchor_variance * anchor_left
    return (weights.squares() - expected) / np.maximum(weights.contrast_total(), _TINY)


def _equal(studies: Studies) -> Weighted:
    """Weight all studies by 1."""
    return weighted(studies, studies.others, np.ones_like(studies.count))


def dersimonian_laird(studies: Studies) -> Tau2Estimate:
    """Equate Q with its expectation under inverse-variance weights (DerSimonian & Laird 1986)."""
    weights = weigh(studies, 0.0)
    excess = weights.squares() - (studies.count - 1)
    return _estimate(studies, excess / np.maximum(weights.contrast_total(), _TINY))


def hedges_olkin(studies: Studies) -> Tau2Estimate:
    """Take the mean sampling variance from the variance of the effects (Hedges & Olkin 1985)."""
    return _estimate(studies, _moments(studies, _equal(studies)))


def dersimonian_laird_two_step(studies: Studies) -> Tau2Estimate:
    """Moments with the weights that DerSimonian-Laird's estimate gives (DerSimonian & Kacker 2007)."""
    first = studies.fold(dersimonian_laird(studies).tau2)
    return _estimate(studies, _moments(studies, weigh(studies, first)))


def hedges_olkin_two_step(studies: Studies) -> Tau2Estimate:
    """Moments with the weights that Hedges-Olkin's estimate gives (DerSimonian & Kacker 2007)."""
    first = studies.fold(hedges_olkin(studies).tau2)
    return _estimate(studies, _moments(studies, weigh(studies, first)))


def hunter_schmidt(studies: Studies) -> Tau2Estimate:
    """(Q - k) / sum of weights (Hunter & Schmidt 2004; Viechtbauer 2005); biased downwards."""
    weights = weigh(studies, 0.0)
    return _estimate(studies, (weights.squares() - studies.count) / weights.total)


def sidik_jonkman(studies: Studies) -> Tau2Estimate:
    """Sidik & Jonkman (2005): crude variance of the effects, then one weighted step; never below zero."""
    crude = _equal(studies).squares() / studies.count
    return _estimate(studies, crude * weigh(studies, crude).squares() / studies.spare)


def solve_generalised_q(studies: Studies, target: FloatArray) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Find tau2 at which the generalised Q equals `target`.

    Q(t) = sum c_j / (m_j + t) with positive c_j and m_j (diagonalise the variances within the contrasts
    of studies), so 1 / Q is increasing and concave: Newton steps on it from zero grow towards the root
    and never pass it.

    Parameters
    ----------
    studies : Studies
        In rows.
    target : ndarray, shape (rows,)
        Positive.

    Returns
    -------
    tau2, below, converged : ndarray, shape (rows,)
        `below` marks analyses whose Q at zero is already less than the target; their tau2 is zero.
    """
    tau2 = np.zeros(studies.rows)
    below = np.zeros(studies.rows, dtype=bool)
    converged = np.zeros(studies.rows, dtype=bool)
    rows, live = np.arange(studies.rows), studies
    for iteration in range(LIMIT):
        here, aim = tau2[rows], target[rows]
        weights = weigh(live, here)
        slope, q = _squared_weight(weights), weights.squares()
        step = q * (q - aim) / (aim * np.maximum(slope, _TINY))
        if iteration == 0:
            below = q < aim
        grows = step > 0  # False at the root, below the target, and where all effects are equal
        tau2[rows] = np.where(grows, here + step, here)
        converged[rows] = ~grows | (step <= STEP_TOLERANCE * here)
        left = ~converged[rows]
        if not left.any():
            break
        if not left.all():
            rows, live = rows[left], live.take(np.flatnonzero(left))
    return tau2, below, converged


def paule_mandel(studies: Studies) -> Tau2Estimate:
    """Value at which the generalised Q equals its expectation k - 1 (Paule & Mandel 1982)."""
    rows = studies.as_rows()
    tau2, below, converged = solve_generalised_q(rows, rows.spare)
    return _estimate(rows, np.where(below, -1.0, tau2), converged)


def empirical_bayes(studies: Studies) -> Tau2Estimate:
    """Morris's (1983) estimator: the root of sum w (k / (k - 1) r^2 - v - tau2) = 0.

    It has the same root as Paule-Mandel's equation; it is solved from its own equation.
    """
    rows = studies.as_rows()
    inflation = rows.count / rows.spare

    def equation(tau2: FloatArray, part: IndexArray) -> tuple[FloatArray, FloatArray]:
        live, factor = rows.take(part), inflation[part]
        weights = weigh(live, tau2)
        observed = factor * weights.squares()
        spread = live.variance + tau2[:, None]
        expected = dot(weights.others, spread) + weights.anchor * (live.anchor_variance + tau2)
        slope = -factor * _squared_weight(weights)
        # divided by `observed`, the equation is nearly linear in tau2, which Newton steps like
        return 1.0 - expected / observed, slope * expected / observed**2

    weights = weigh(rows, np.zeros(rows.rows))
    expected = dot(weights.others, rows.variance) + weights.anchor * rows.anchor_variance
    inside = inflation * weights.squares() > expected
    interior = np.flatnonzero(inside)
    most = _equal(rows).squares() / rows.spare  # Q is at most the squared deviations over tau2
    zero = np.zeros(len(interior))
    found = newton_in_bracket(lambda t, part: equation(t, interior[part]), zero, most[interior], zero)
    tau2, converged = np.full(rows.rows, -1.0), np.ones(rows.rows, dtype=bool)
    tau2[interior], converged[interior] = found.root, found.converged
    return _estimate(rows, tau2, converged)
