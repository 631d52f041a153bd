"""Likelihood of events in networks: binomial arms, study intercepts, normal differences between studies.

The linear predictor of arm r of study i is

    intercept_i + x_ir beta + tau (H z)_r,    z standard normal of arms - 1 dimensions,

where H H' = (I - 11'/arms) / 2: every contrast of a study varies by tau, and two contrasts that share an
arm have correlation 1/2, whichever arm is called first. With two arms this is the binomial-normal model with
fixed study intercepts of the pairwise one-stage models. z is integrated out by adaptive Gauss-Hermite product
rules, Laplace's approximation (one node) from seven arms upwards. Derivatives are posterior means at the same
nodes (Louis 1982, J R Stat Soc B 44:226-233).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.numerics.ascent import IntArray, Surface, Top, climb
from metakit.numerics.of_counts.one_stage import follow_intercepts, reduced
from metakit.numerics.of_counts.one_stage_densities import binomial
from metakit.numerics.of_counts.one_stage_likelihood import Marginal
from metakit.numerics.quadrature import gauss_hermite_rule

LADDER: dict[int, tuple[int, int, int]] = {
    1: (21, 41, 81),
    2: (15, 31, 61),
    3: (9, 15, 21),
    4: (7, 9, 13),
    5: (5, 7, 9),
}
"""Nodes a dimension, by dimension (arms - 1): a fit moves up until the next rule changes nothing."""

SETTLED = 1e-9
"""Change of the log-likelihood, as a fraction of it, up to which a finer rule counts as changing nothing."""

_STARTS = (0.25, 1.0)
_ZERO = 1e-6
_MODE_STEPS = 100
_MODE_TOLERANCE = 1e-7
_LARGEST_MODE_STEP = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArmGroup:
    """The studies with one number of arms.

    index : (k,) numbers of the studies; events, total : (k, arms); x : (k, arms, p).
    """

    index: IntArray
    events: FloatArray
    total: FloatArray
    x: FloatArray

    @property
    def dimensions(self) -> int:
        """Number of latent variables of each study."""
        return int(self.events.shape[1]) - 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneStageFit:
    """Maximum of the likelihood.

    beta : (p,); covariance : (p, p), from the curvature with intercepts and tau taken along; `log_likelihood`
    up to the binomial coefficients. `change` is how much the log-likelihood moves under the next finer rule.
    """

    beta: FloatArray
    covariance: FloatArray
    tau: float
    log_likelihood: float
    converged: bool
    change: float
    laplace: bool


def sharing(arms: int) -> FloatArray:
    """Return H, shape (arms, arms - 1), with H H' = (I - 11'/arms) / 2."""
    centred = np.eye(arms) - 1.0 / arms
    values, vectors = np.linalg.eigh(centred)
    return np.asarray(vectors[:, values > 0.5] / np.sqrt(2.0))


def _nodes(dimensions: int, rung: int) -> int:
    return int(LADDER[dimensions][rung]) if dimensions in LADDER else 1


def _mode(
    fixed: FloatArray, load: FloatArray, group: ArmGroup, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return modes (k, D) and Cholesky factors (k, D, D) of the inverse curvature there."""
    mode, identity = start.copy(), np.eye(load.shape[1])
    for _ in range(_MODE_STEPS):
        curve = binomial(fixed + mode @ load.T, (group.events, group.total))
        slope = curve.first @ load - mode
        curvature = identity - np.einsum("kr,rd,re->kde", curve.second, load, load)
        step = np.linalg.solve(curvature, slope[..., None])[..., 0]
        leap = np.abs(step @ load.T).max(axis=1, keepdims=True)
        mode = mode + step * np.minimum(1.0, _LARGEST_MODE_STEP / np.maximum(leap, 1e-300))
        if float(np.abs(step).max()) <= _MODE_TOLERANCE:
            break
    return mode, np.linalg.cholesky(np.linalg.inv(curvature))


def _group_terms(
    group: ArmGroup, beta: FloatArray, tau: float, gamma: FloatArray, nodes: int, start: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return value (k,), gradient (k, p + 2), Hessian (k, p + 2, p + 2) and mode (k, D) of each study.

    Parameters are beta, tau, then the study's own intercept.
    """
    size, p = group.dimensions, len(beta)
    shared = sharing(size + 1)
    fixed = gamma[group.index][:, None] + group.x @ beta
    mode, root = _mode(fixed, tau * shared, group, start)
    points, log_weights = gauss_hermite_rule(nodes, size)
    latent = mode[:, None, :] + np.sqrt(2.0) * np.einsum("kde,eg->kgd", root, points)
    drift = latent @ shared.T
    curve = binomial(fixed[:, None, :] + tau * drift, (group.events[:, None, :], group.total[:, None, :]))
    log_integrand = log_weights - 0.5 * np.sum(latent**2, axis=-1) + curve.value.sum(axis=-1)
    largest = log_integrand.max(axis=1)
    weight = np.exp(log_integrand - largest[:, None])
    total = weight.sum(axis=1)
    weight /= total[:, None]
    log_volume = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    value = largest + np.log(total) + log_volume - 0.5 * size * np.log(np.pi)
    # Slope of each arm's predictor by every parameter, (k, nodes, arms, p + 2).
    slope = np.empty((*drift.shape, p + 2))
    slope[..., :p], slope[..., p], slope[..., p + 1] = group.x[:, None], drift, 1.0
    score = np.einsum("kgrp,kgr->kgp", slope, curve.first)
    mean = np.einsum("kg,kgp->kp", weight, score)
    bend = np.einsum("kgrp,kgr,kgrq->kpq", slope, weight[..., None] * curve.second, slope, optimize=True)
    hessian = (
        np.einsum("kg,kgp,kgq->kpq", weight, score, score, optimize=True)
        + bend
        - mean[:, :, None] * mean[:, None, :]
    )
    return value, mean, hessian, mode


def _marginal(
    groups: Sequence[ArmGroup], theta: FloatArray, gamma: FloatArray, rung: int, starts: Sequence[FloatArray]
) -> tuple[Marginal, list[FloatArray]]:
    p, count = len(theta) - 1, len(gamma)
    value, gradient, hessian = 0.0, np.zeros(p + 1), np.zeros((p + 1, p + 1))
    own_gradient, own_hessian, cross = np.zeros(count), np.zeros(count), np.zeros((count, p + 1))
    modes = []
    for group, start in zip(groups, starts, strict=True):
        nodes = _nodes(group.dimensions, rung) if theta[p] != 0 else 1
        part, first, second, mode = _group_terms(group, theta[:p], float(theta[p]), gamma, nodes, start)
        value += float(part.sum())
        gradient += first[:, : p + 1].sum(axis=0)
        hessian += second[:, : p + 1, : p + 1].sum(axis=0)
        own_gradient[group.index], own_hessian[group.index] = first[:, p + 1], second[:, p + 1, p + 1]
        cross[group.index] = second[:, : p + 1, p + 1]
        modes.append(mode)
    flat = np.concatenate([mode.ravel() for mode in modes])
    point = Marginal(
        value=np.array([value]),
        gradient=gradient[None],
        hessian=hessian[None],
        intercept_gradient=own_gradient[None],
        intercept_hessian=own_hessian[None],
        intercept_cross=cross[None],
        mode=flat[None],
    )
    return point, modes


def _split(groups: Sequence[ArmGroup], flat: FloatArray) -> list[FloatArray]:
    parts, at = [], 0
    for group in groups:
        size = len(group.index) * group.dimensions
        parts.append(flat[at : at + size].reshape(len(group.index), group.dimensions))
        at += size
    return parts


def log_likelihood(
    groups: Sequence[ArmGroup], beta: FloatArray, tau: float, intercepts: FloatArray, *, rung: int = 0
) -> float:
    """Return the log-likelihood up to the binomial coefficients, by the rule of one rung of `LADDER`."""
    starts = [np.zeros((len(group.index), group.dimensions)) for group in groups]
    return float(_marginal(groups, np.append(beta, tau), intercepts, rung, starts)[0].value[0])


def fit_one_stage(groups: Sequence[ArmGroup], *, heterogeneous: bool) -> OneStageFit:
    """Fit by maximum likelihood.

    Parameters
    ----------
    groups : sequence of ArmGroup
        Every study has an event and a thumb without one; no combination of arms is separated.
    heterogeneous : bool
        Whether effects differ between studies (tau is estimated) or not (tau is 0).

    Returns
    -------
    OneStageFit
        With `converged` False where no maximum was found.
    """
    p = groups[0].x.shape[2]
    count = sum(len(group.index) for group in groups)
    crude = np.zeros(count)
    for group in groups:
        events, total = group.events.sum(axis=1), group.total.sum(axis=1)
        crude[group.index] = np.log(events / (total - events))
    flat = np.zeros((1, sum(len(group.index) * group.dimensions for group in groups)))

    def maximise(theta: FloatArray, gamma: FloatArray, mode: FloatArray, rung: int, free_tau: bool) -> Top:
        def evaluate(
            here: FloatArray, own: FloatArray, carry: tuple[FloatArray, ...], rows: IntArray
        ) -> Surface:
            point, _ = _marginal(groups, here[0], own[0], rung, _split(groups, carry[0][0]))
            gradient, hessian, inverse = reduced(point)
            pieces = (point.mode, point.intercept_gradient, point.intercept_cross, inverse)
            return Surface(value=point.value, gradient=gradient, hessian=hessian, carry=pieces)

        free = np.append(np.ones(p, dtype=bool), free_tau)
        return climb(evaluate, theta, free=free, extra=gamma, carry=(mode,), follow=follow_intercepts)

    top = maximise(np.zeros((1, p + 1)), crude[None], flat, 0, False)
    best = top
    if heterogeneous and bool(top.converged[0]):
        for start in _STARTS:
            theta = top.parameters.copy()
            theta[0, p] = start
            found = maximise(theta, top.extra, flat, 0, True)
            gain = float(found.surface.value[0] - best.surface.value[0])
            if bool(found.converged[0]) and abs(float(found.parameters[0, p])) > _ZERO and gain > 1e-10:
                best = found
    change = 0.0
    for rung in (0, 1) if best is not top else ():
        modes = _split(groups, best.surface.carry[0][0])
        point, _ = _marginal(groups, best.parameters[0], best.extra[0], rung + 1, modes)
        change = abs(float(point.value[0] - best.surface.value[0]))
        gap = np.abs(reduced(point)[0][0] - best.surface.gradient[0]).max()
        scale = np.sqrt(np.abs(np.diag(best.surface.hessian[0])).max())
        if change <= SETTLED * (1.0 + abs(float(point.value[0]))) and gap <= SETTLED * scale:
            break
        best = maximise(best.parameters, best.extra, best.surface.carry[0], rung + 1, True)
    tau = abs(float(best.parameters[0, p]))
    hessian = best.surface.hessian[0]
    keep = p + 1 if tau > 0 else p
    covariance = (
        np.linalg.inv(-hessian[:keep, :keep])[:p, :p] if bool(best.converged[0]) else np.zeros((p, p))
    )
    return OneStageFit(
        beta=best.parameters[0, :p],
        covariance=covariance,
        tau=tau,
        log_likelihood=float(best.surface.value[0]),
        converged=bool(best.converged[0]),
        change=change,
        laplace=tau > 0 and any(group.dimensions not in LADDER for group in groups),
    )
