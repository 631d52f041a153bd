"""Marginal likelihood of counts with normal random effects, by adaptive Gauss-Hermite quadrature.

Study i has one or two counts r. Given standard normal latent variables z_d their linear predictors are

    predictor_r = sum_p design[r, p] beta_p + sum_d loading[r, d] spread_d z_d (+ intercept_i)

so every model of the family (one-arm, conditional, fixed or random study intercepts) differs only in two
small matrices. The predictor is linear in beta, spread and intercept given z; hence gradient and
Hessian of the marginal log-likelihood are posterior means at the same nodes (Louis 1982, J R Stat Soc B
44:226-233), with no numerical differentiation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.numerics.ascent import IntArray
from metakit.numerics.of_counts.one_stage_densities import Density
from metakit.numerics.quadrature import gauss_hermite_rule

_MODE_STEPS = 100
_MODE_TOLERANCE = 1e-5  # quadratic convergence: the last step leaves about its square
_LARGEST_PREDICTOR_STEP = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LatentModel:
    """Counts of B analyses of k studies and the shape of their linear predictors.

    Parameters
    ----------
    density : callable
        Log-density of one count given its predictor, from `one_stage_densities`.
    counts : tuple over counts r of tuples of ndarray, shape (B, k) or (B, k, support)
        What the density needs.
    constant : ndarray, shape (B, k)
        Part of the log-likelihood without parameters.
    design : ndarray, shape (R, P)
    loading : ndarray, shape (R, D), D = 1 or 2
    study_intercepts : bool
        Whether each study has an intercept of its own as a parameter.
    """

    density: Density
    counts: tuple[tuple[FloatArray, ...], ...]
    constant: FloatArray
    design: FloatArray
    loading: FloatArray
    study_intercepts: bool = False

    @property
    def coefficients(self) -> int:
        """Number of beta."""
        return int(self.design.shape[1])

    @property
    def dimensions(self) -> int:
        """Number of latent variables."""
        return int(self.loading.shape[1])

    def rows(self, index: IntArray) -> LatentModel:
        """Return the model of some of the B analyses (an index may repeat)."""
        return LatentModel(
            density=self.density,
            counts=tuple(tuple(part[index] for part in count) for count in self.counts),
            constant=self.constant[index],
            design=self.design,
            loading=self.loading,
            study_intercepts=self.study_intercepts,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marginal:
    """Marginal log-likelihood of B analyses with derivatives.

    `gradient` (B, Q) and `hessian` (B, Q, Q) are over beta then spread, Q = P + D. The study-intercept
    parts have shape (B, k) and, for `intercept_cross`, (B, k, Q); they are empty without study intercepts.
    `mode` (B, D, k) is where the nodes were centred, a start for the next evaluation.
    """

    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray
    intercept_gradient: FloatArray
    intercept_hessian: FloatArray
    intercept_cross: FloatArray
    mode: FloatArray


def _latent_mode(
    model: LatentModel, fixed: list[FloatArray], loads: list[list[FloatArray]], start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the mode (D, B, k) and the lower Cholesky factor (3 or 1, B, k) of its inverse curvature.

    The integrand is strictly log-concave, so a Newton step that is kept from leaping in the predictor
    arrives from anywhere.
    """
    size = model.dimensions
    mode = start.copy()
    moving = np.ones(mode.shape[1:], dtype=bool)
    curvature = np.ones((3 if size == 2 else 1, *mode.shape[1:]))
    for _ in range(_MODE_STEPS):
        slope = [-mode[d] for d in range(size)]
        curve_11 = np.ones(mode.shape[1:])
        curve_22, curve_21 = np.ones_like(curve_11), np.zeros_like(curve_11)
        for fixed_r, load, count in zip(fixed, loads, model.counts, strict=True):
            predictor = fixed_r + sum(load[d] * mode[d] for d in range(size))
            _, first, second = model.density(predictor, count)
            for d in range(size):
                slope[d] = slope[d] + load[d] * first
            curve_11 = curve_11 - load[0] ** 2 * second
            if size == 2:
                curve_22 = curve_22 - load[1] ** 2 * second
                curve_21 = curve_21 - load[0] * load[1] * second
        if size == 1:
            step = np.stack([slope[0] / curve_11])
        else:
            determinant = curve_11 * curve_22 - curve_21**2
            step = np.stack(
                [
                    (curve_22 * slope[0] - curve_21 * slope[1]) / determinant,
                    (curve_11 * slope[1] - curve_21 * slope[0]) / determinant,
                ]
            )
        leap = np.max([np.abs(sum(load[d] * step[d] for d in range(size))) for load in loads], axis=0)
        step *= np.where(
            leap > _LARGEST_PREDICTOR_STEP, _LARGEST_PREDICTOR_STEP / np.maximum(leap, 1e-300), 1.0
        )
        # Each study stops by itself, so that its neighbours in a batch cannot change its last digits.
        curves = (curve_11,) if size == 1 else (curve_11, curve_21, curve_22)
        curvature = np.where(moving, np.stack(curves), curvature)
        mode += np.where(moving, step, 0.0)
        moving &= np.abs(step).max(axis=0) > _MODE_TOLERANCE
        if not moving.any():
            break
    if size == 1:
        return mode, 1.0 / np.sqrt(curvature)
    curve_11, curve_21, curve_22 = curvature
    determinant = curve_11 * curve_22 - curve_21**2
    first_root = np.sqrt(curve_22 / determinant)
    return mode, np.stack([first_root, -curve_21 / determinant / first_root, 1.0 / np.sqrt(curve_22)])


def marginal(
    model: LatentModel,
    parameters: FloatArray,
    intercepts: FloatArray,
    *,
    nodes: int,
    start: FloatArray | None = None,
) -> Marginal:
    """Evaluate the marginal log-likelihood with gradient and Hessian.

    Parameters
    ----------
    model : LatentModel
        B analyses of k studies.
    parameters : ndarray, shape (B, P + D)
        beta, then spread; the sign of a spread does not matter.
    intercepts : ndarray, shape (B, k)
        Study intercepts; ignored when the model has none.
    nodes : int
        Quadrature nodes in each latent dimension.
    start : ndarray, shape (B, D, k), optional
        Where to look for the modes first.
    """
    size, terms = model.dimensions, model.coefficients
    batch, k = model.constant.shape
    beta, spread = parameters[:, :terms], parameters[:, terms:]
    fixed, loads = [], []
    for r in range(model.design.shape[0]):
        part = np.zeros((batch, 1))
        for p in range(terms):
            part = part + model.design[r, p] * beta[:, p : p + 1]
        fixed.append(part + intercepts if model.study_intercepts else np.broadcast_to(part, (batch, k)))
        loads.append([model.loading[r, d] * spread[:, d : d + 1] for d in range(size)])
    first_guess = np.zeros((size, batch, k)) if start is None else np.moveaxis(start, 1, 0)
    mode, root = _latent_mode(model, fixed, loads, first_guess)
    points, log_weights = gauss_hermite_rule(nodes, size)
    scaled = points * np.sqrt(2.0)
    if size == 1:
        latent = [mode[0][..., None] + root[0][..., None] * scaled[0]]
        log_volume = np.log(root[0])
    else:
        latent = [
            mode[0][..., None] + root[0][..., None] * scaled[0],
            mode[1][..., None] + root[1][..., None] * scaled[0] + root[2][..., None] * scaled[1],
        ]
        log_volume = np.log(root[0]) + np.log(root[2])
    log_integrand = log_weights - 0.5 * sum(z * z for z in latent)
    curves = []
    for r, count in enumerate(model.counts):
        predictor = fixed[r][..., None] + sum(loads[r][d][..., None] * latent[d] for d in range(size))
        curve = model.density(predictor, tuple(part[:, :, None] for part in count))
        log_integrand = log_integrand + curve.value
        curves.append(curve)
    largest = log_integrand.max(axis=-1)
    weight = np.exp(log_integrand - largest[..., None])
    total = weight.sum(axis=-1)
    weight /= total[..., None]
    study_value = model.constant + largest + np.log(total) + log_volume - 0.5 * size * np.log(np.pi)

    # Derivative of predictor r by each local parameter: beta, spread, then the study's own intercept.
    names = terms + size + (1 if model.study_intercepts else 0)
    scores: list[FloatArray] = []

    def slope(r: int, p: int) -> FloatArray | float:
        if p < terms:
            return float(model.design[r, p])
        if p < terms + size:
            return np.asarray(model.loading[r, p - terms] * latent[p - terms])
        return 1.0

    for p in range(names):
        scores.append(sum((slope(r, p) * curve.first for r, curve in enumerate(curves)), np.zeros(())))
    mean = [(weight * score).sum(axis=-1) for score in scores]
    local_hessian = np.empty((batch, k, names, names))
    for p in range(names):
        for q in range(p + 1):
            inner = scores[p] * scores[q]
            for r, curve in enumerate(curves):
                inner = inner + slope(r, p) * slope(r, q) * curve.second
            entry = (weight * inner).sum(axis=-1) - mean[p] * mean[q]
            local_hessian[..., p, q] = local_hessian[..., q, p] = entry
    local_gradient = np.stack(mean, axis=-1)
    inner_names = terms + size
    return Marginal(
        value=study_value.sum(axis=-1),
        gradient=np.ascontiguousarray(np.moveaxis(local_gradient[..., :inner_names], 1, -1)).sum(axis=-1),
        hessian=np.ascontiguousarray(np.moveaxis(local_hessian[..., :inner_names, :inner_names], 1, -1)).sum(
            axis=-1
        ),
        intercept_gradient=local_gradient[..., inner_names:].reshape(batch, -1),
        intercept_hessian=local_hessian[..., inner_names:, inner_names:].reshape(batch, -1),
        intercept_cross=local_hessian[..., :inner_names, inner_names:].reshape(batch, k, -1),
        mode=np.moveaxis(mode, 0, 1),
    )
