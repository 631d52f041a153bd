"""Weighted regression of effects on moderators, and tau2 given moderators; studies last, batches before.

Every fit is a QR decomposition of the weighted design, so that 9 digits survive badly scaled moderators. The
permutation test and leave-one-out are the same call with a batch axis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.posteriors.spread_integral import GivenTau
from metakit.numerics.roots import newton_in_bracket
from metakit.numerics.weights import IndexArray

GRID = np.geomspace(1e-7, 1e7, 29)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegressionFit:
    """One weighted regression an analysis.

    coefficients (..., p); covariance (..., p, p), model-based (inverse weighted cross-products);
    residual (..., k); q (...) weighted residual sum of squares; leverage (..., k).
    """

    coefficients: FloatArray
    covariance: FloatArray
    residual: FloatArray
    q: FloatArray
    leverage: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResidualTau2:
    """Between-study variance left after the moderators; arrays of the batch shape."""

    tau2: FloatArray
    truncated: BoolArray
    converged: BoolArray


def regress(effect: FloatArray, weight: FloatArray, design: FloatArray) -> RegressionFit:
    """Fit effect on design by weighted least squares.

    Parameters
    ----------
    effect, weight : ndarray, shape (..., k)
    design : ndarray, shape (..., k, p), full column rank

    Returns
    -------
    RegressionFit
    """
    root = np.sqrt(weight)
    q, r = np.linalg.qr(root[..., None] * design)
    target = np.swapaxes(q, -1, -2) @ (root * effect)[..., None]
    inverse = np.linalg.inv(r)
    coefficients = (inverse @ target)[..., 0]
    residual = effect - (design @ coefficients[..., None])[..., 0]
    return RegressionFit(
        coefficients=coefficients,
        covariance=inverse @ np.swapaxes(inverse, -1, -2),
        residual=residual,
        q=np.vecdot(weight * residual, residual),
        leverage=np.vecdot(q, q),
    )


def well_scaled(design: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a design with orthonormal columns, and what turns its coefficients into the given one's."""
    q, r = np.linalg.qr(design)
    return q, np.linalg.inv(r)


def regress_given_tau(
    effect: FloatArray, variance: FloatArray, design: FloatArray, tau: FloatArray
) -> GivenTau:
    """Fit effect on design at each of J values of tau, with the restricted likelihood.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
    design : ndarray, shape (k, p), full column rank
    tau : ndarray, shape (J,)
    """
    weight = 1.0 / (variance + tau[:, None] ** 2)
    fit = regress(effect, weight, design)
    log_likelihood = 0.5 * (np.log(weight).sum(axis=-1) + np.linalg.slogdet(fit.covariance)[1] - fit.q)
    return GivenTau(
        tau=tau,
        coefficients=fit.coefficients,
        covariance=fit.covariance,
        log_likelihood=log_likelihood,
        q=fit.q,
    )


def common_effect_moments(effect: FloatArray, variance: FloatArray, design: FloatArray) -> ResidualTau2:
    """Estimate tau2 by the method of moments with inverse-variance weights.

    References
    ----------
    DerSimonian R, Laird N 1986; with moderators Thompson SG, Sharp SJ 1999 Stat Med 18:2693-2708.
    """
    weight = 1.0 / variance
    fit = regress(effect, weight, design)
    free = effect.shape[-1] - design.shape[-1]
    raw = (fit.q - free) / _residual_trace(weight, fit)
    return _settled(raw)


def equal_weight_moments(effect: FloatArray, variance: FloatArray, design: FloatArray) -> ResidualTau2:
    """Estimate tau2 from the unweighted residual variance less the expected sampling part (Hedges 1992)."""
    weight = np.ones_like(variance)
    fit = regress(effect, weight, design)
    free = effect.shape[-1] - design.shape[-1]
    expected = np.vecdot(variance, 1.0 - fit.leverage)
    return _settled((fit.q - expected) / free)


def generalised_q(effect: FloatArray, variance: FloatArray, design: FloatArray) -> ResidualTau2:
    """Estimate tau2 as the value at which residual Q equals its degrees of freedom (Paule & Mandel 1982)."""
    free = effect.shape[-1] - design.shape[-1]

    def function(
        y: FloatArray, v: FloatArray, x: FloatArray, tau2: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        weight = 1.0 / (v + tau2[..., None])
        fit = regress(y, weight, x)
        pulled = weight * fit.residual
        return fit.q - free, -np.vecdot(pulled, pulled)

    return _solve(function, effect, variance, design)


def restricted_likelihood(effect: FloatArray, variance: FloatArray, design: FloatArray) -> ResidualTau2:
    """Estimate tau2 by restricted maximum likelihood (Viechtbauer 2005; Raudenbush 1994 with moderators)."""

    def function(
        y: FloatArray, v: FloatArray, x: FloatArray, tau2: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        weight = 1.0 / (v + tau2[..., None])
        root = np.sqrt(weight)
        q = np.linalg.qr(root[..., None] * x)[0]
        pulled = _pull(q, root, y)
        leverage = np.vecdot(q, q)
        inner = np.swapaxes(q, -1, -2) @ (weight[..., None] * q)
        trace = np.vecdot(weight, 1.0 - leverage)
        trace_square = np.vecdot(weight**2, 1.0 - 2.0 * leverage) + np.sum(inner**2, axis=(-1, -2))
        score = np.vecdot(pulled, pulled) - trace
        slope = trace_square - 2.0 * np.vecdot(pulled, _pull(q, root, pulled))
        return score, slope

    return _solve(function, effect, variance, design)


def likelihood(effect: FloatArray, variance: FloatArray, design: FloatArray) -> ResidualTau2:
    """Estimate tau2 by maximum likelihood (Hardy & Thompson 1996; with moderators van Houwelingen 2002)."""

    def function(
        y: FloatArray, v: FloatArray, x: FloatArray, tau2: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        weight = 1.0 / (v + tau2[..., None])
        root = np.sqrt(weight)
        q = np.linalg.qr(root[..., None] * x)[0]
        pulled = _pull(q, root, y)
        score = np.vecdot(pulled, pulled) - weight.sum(axis=-1)
        slope = np.vecdot(weight, weight) - 2.0 * np.vecdot(pulled, _pull(q, root, pulled))
        return score, slope

    return _solve(function, effect, variance, design)


def _pull(q: FloatArray, root: FloatArray, vector: FloatArray) -> FloatArray:
    """Apply the residual projection W - W X (X'WX)^-1 X'W to a vector."""
    scaled = root * vector
    fitted: FloatArray = (q @ (np.swapaxes(q, -1, -2) @ scaled[..., None]))[..., 0]
    pulled: FloatArray = root * (scaled - fitted)
    return pulled


def _residual_trace(weight: FloatArray, fit: RegressionFit) -> FloatArray:
    trace: FloatArray = np.vecdot(weight, 1.0 - fit.leverage)
    return trace


def _settled(raw: FloatArray) -> ResidualTau2:
    raw = np.asarray(raw)
    return ResidualTau2(
        tau2=np.maximum(raw, 0.0), truncated=raw < 0, converged=np.ones(raw.shape, dtype=bool)
    )


Scored = Callable[[FloatArray, FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def _solve(function: Scored, effect: FloatArray, variance: FloatArray, design: FloatArray) -> ResidualTau2:
    """Find the last fall through zero of a score that starts at tau2 = 0, on a grid scaled to each analysis.

    The grid reaches from a ten-millionth to ten million times the larger of the mean sampling variance and
    the spread of the effects. A score that is negative throughout means zero; one that is still positive at
    the end did not converge. Of several falls the last is taken.
    """
    leading = np.broadcast_shapes(effect.shape[:-1], variance.shape[:-1], design.shape[:-2])
    k, p = design.shape[-2:]
    y = np.broadcast_to(effect, (*leading, k)).reshape(-1, k)
    v = np.broadcast_to(variance, (*leading, k)).reshape(-1, k)
    x = np.broadcast_to(design, (*leading, k, p)).reshape(-1, k, p)
    scale = np.maximum(v.mean(axis=-1), y.var(axis=-1))
    points = np.concatenate((np.zeros((len(y), 1)), scale[:, None] * GRID), axis=1)
    scores = np.stack([function(y, v, x, points[:, place])[0] for place in range(points.shape[1])], axis=1)
    falls = (scores[:, :-1] > 0) & (scores[:, 1:] <= 0)
    last = falls.shape[1] - 1 - np.argmax(falls[:, ::-1], axis=1)
    has = falls.any(axis=1)
    tau2 = np.zeros(len(y))
    converged = scores[:, -1] <= 0
    rows = np.flatnonzero(has)
    if rows.size:
        low, high = points[rows, last[rows]], points[rows, last[rows] + 1]

        def live(point: FloatArray, chosen: IndexArray | None) -> tuple[FloatArray, FloatArray]:
            at = rows if chosen is None else rows[chosen]
            return function(y[at], v[at], x[at], point)

        roots = newton_in_bracket(live, low, high, 0.5 * (low + high))
        tau2[rows] = roots.root
        converged[rows] &= roots.converged
    return ResidualTau2(
        tau2=tau2.reshape(leading),
        truncated=np.reshape(~has, leading),
        converged=converged.reshape(leading),
    )
