"""Maximum of the marginal likelihood of counts with normal random effects, in batches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.ascent import IntArray, Surface, climb
from metakit.numerics.of_counts.one_stage_likelihood import LatentModel, Marginal, marginal

NODE_LADDER = {1: (21, 41, 81, 161, 321), 2: (15, 31, 61, 121)}
"""Quadrature nodes in each dimension, raised until the likelihood no longer changes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maximum:
    """Where the marginal likelihood is largest, for B analyses.

    Parameters
    ----------
    parameters : ndarray, shape (B, P + D)
        beta, then spread (not negative).
    intercepts : ndarray, shape (B, k) or (B, 0)
    value : ndarray, shape (B,)
        Log-likelihood.
    score : ndarray, shape (B, P + D)
        First derivatives, of held parameters as well.
    hessian : ndarray, shape (B, P + D, P + D)
        Second derivatives of the log-likelihood, with study intercepts profiled out.
    mode : ndarray, shape (B, D, k)
        Modes of the latent variables.
    converged : ndarray of bool, shape (B,)
        The Newton decrement vanished at a point of negative curvature.
    """

    parameters: FloatArray
    intercepts: FloatArray
    value: FloatArray
    score: FloatArray
    hessian: FloatArray
    mode: FloatArray
    converged: BoolArray


def reduced(point: Marginal) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Profile study intercepts out of gradient and Hessian (block elimination, cost linear in k).

    The third answer is the inverse curvature of each intercept, 0 for a study without information.
    """
    if point.intercept_gradient.size == 0:
        return point.gradient, point.hessian, point.intercept_hessian
    curved = point.intercept_hessian < -1e-300
    inverse = np.where(curved, 1.0 / np.where(curved, point.intercept_hessian, 1.0), 0.0)
    scaled = point.intercept_cross * inverse[..., None]
    shift = scaled * point.intercept_gradient[..., None]
    outer = scaled[..., :, None] * point.intercept_cross[..., None, :]
    return (
        point.gradient - np.ascontiguousarray(np.swapaxes(shift, 1, 2)).sum(axis=-1),
        point.hessian - np.ascontiguousarray(np.moveaxis(outer, 1, -1)).sum(axis=-1),
        inverse,
    )


def follow_intercepts(carry: tuple[FloatArray, ...], step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Move study intercepts along with the other parameters (the other half of the block elimination)."""
    _, gradient, cross, inverse = carry
    along = (cross * step[:, None, :]).sum(axis=-1)
    return -(gradient + along) * inverse, (gradient**2 * -inverse).sum(axis=-1)


def maximise(
    model: LatentModel,
    parameters: FloatArray,
    intercepts: FloatArray,
    *,
    free: BoolArray,
    nodes: int,
    mode: FloatArray | None = None,
) -> Maximum:
    """Maximise the marginal likelihood over the free parameters and the study intercepts.

    Parameters
    ----------
    model : LatentModel
        B analyses.
    parameters : ndarray, shape (B, P + D)
        Start; what is not free stays there. A free spread must not start at zero, where its
        derivative vanishes whatever the data say.
    intercepts : ndarray, shape (B, k) or (B, 0)
        Start of the study intercepts, none when the model has none.
    free : ndarray of bool, shape (P + D,)
    nodes : int
        Quadrature nodes.
    mode : ndarray, shape (B, D, k), optional
        Start of the latent modes.
    """
    batch, k = model.constant.shape
    everything = np.arange(batch)

    def evaluate(
        theta: FloatArray, gamma: FloatArray, carry: tuple[FloatArray, ...], rows: IntArray
    ) -> Surface:
        here = model if len(rows) == batch else model.rows(rows)
        point = marginal(here, theta, gamma, nodes=nodes, start=carry[0])
        gradient, hessian, inverse = reduced(point)
        pieces: tuple[FloatArray, ...] = (point.mode,)
        if model.study_intercepts:
            pieces = (point.mode, point.intercept_gradient, point.intercept_cross, inverse)
        return Surface(value=point.value, gradient=gradient, hessian=hessian, carry=pieces)

    start = np.zeros((batch, model.dimensions, k)) if mode is None else mode
    options = {"follow": follow_intercepts} if model.study_intercepts else {}
    top = climb(evaluate, parameters, free=free, extra=intercepts, carry=(start,), **options)
    # The likelihood is even in every spread: turn the signs that Newton's method may have crossed.
    terms = model.coefficients
    theta = top.parameters
    sign = np.where(theta[:, terms:] < 0, -1.0, 1.0)
    flip = np.concatenate([np.ones((batch, terms)), sign], axis=1)
    return Maximum(
        parameters=theta * flip,
        intercepts=top.extra,
        value=top.surface.value,
        score=top.surface.gradient * flip,
        hessian=top.surface.hessian * flip[:, :, None] * flip[:, None, :],
        mode=top.surface.carry[0][everything] * sign[:, :, None],
        converged=top.converged,
    )
