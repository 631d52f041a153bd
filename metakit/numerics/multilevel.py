"""Three-level model of effects within clusters, by restricted maximum likelihood.

Effect i of cluster c is  X beta + u_c + w_ci + e_ci  with variances between and within clusters and known
sampling covariance, so that V_c = S_c + between * 11' + within * I. Everything is block-diagonal: the cost is
linear in the number of clusters.

References
----------
Konstantopoulos S (2011). Res Synth Methods 2:61-76. Pustejovsky JE, Tipton E (2022). Prev Sci 23:425-438.
Searle SR, Casella G, McCulloch CE (1992). Variance Components, section 6.6 (derivatives of the likelihood).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.ascent import IntArray, Surface, climb
from metakit.numerics.roots import root_in_bracket

_STARTS = ((0.5, 0.5), (1.0, 0.1), (0.1, 1.0))
_ZERO_ROOT = 1e-6
_FARTHEST = 1e3  # in units of the data: beyond, a limit of a standard deviation is as good as infinite


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clusters:
    """Effects laid out by cluster and padded to the largest; C clusters of up to m effects, p coefficients.

    Parameters
    ----------
    effect : ndarray, shape (C, m)
    design : ndarray, shape (C, m, p)
    sampling : ndarray, shape (C, m, m)
        Known covariance; the identity where nothing is present.
    present : ndarray of bool, shape (C, m)
    order : ndarray of int, shape (n,)
        Place of effect i in the flattened (C, m) arrays.
    """

    effect: FloatArray
    design: FloatArray
    sampling: FloatArray
    present: BoolArray
    order: IntArray

    @property
    def count(self) -> int:
        """Number of clusters."""
        return len(self.effect)

    @property
    def nested(self) -> bool:
        """Whether any cluster has more than one effect."""
        return int(self.effect.shape[1]) > 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThreeLevelFit:
    """Fit of the three-level model.

    Parameters
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        Model-based, given the variances.
    between, within : float
        Variances between clusters, and within clusters between their effects.
    working : ndarray, shape (C, m, m)
        The estimated covariance V of the effects.
    residual : ndarray, shape (C, m)
    log_likelihood : float
        Restricted, with its constant.
    roots : ndarray, shape (2,)
        Square roots of the variances, in units of `unit`.
    converged : bool
    """

    coefficients: FloatArray
    covariance: FloatArray
    between: float
    within: float
    working: FloatArray
    residual: FloatArray
    log_likelihood: float
    roots: FloatArray
    unit: float
    converged: bool


def by_cluster(
    effect: FloatArray,
    variance: FloatArray,
    design: FloatArray,
    cluster: IntArray,
    *,
    correlation: float = 0.0,
) -> Clusters:
    """Lay effects out by cluster.

    Parameters
    ----------
    effect, variance : ndarray, shape (n,)
    design : ndarray, shape (n, p)
    cluster : ndarray of int, shape (n,)
        Numbers 0 to C - 1.
    correlation : float
        Sampling correlation of two effects of one cluster, at least 0 and below 1.
    """
    counts = np.bincount(cluster)
    c, m, p = len(counts), int(counts.max()), design.shape[1]
    sorting = np.argsort(cluster, kind="stable")
    place = np.empty(len(cluster), dtype=np.intp)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    place[sorting] = np.arange(len(cluster)) - first[cluster[sorting]]
    present = np.zeros((c, m), dtype=bool)
    y, root, x = np.zeros((c, m)), np.zeros((c, m)), np.zeros((c, m, p))
    present[cluster, place] = True
    y[cluster, place], root[cluster, place], x[cluster, place] = effect, np.sqrt(variance), design
    sampling = correlation * root[:, :, None] * root[:, None, :]
    diagonal = np.arange(m)
    sampling[:, diagonal, diagonal] = np.where(present, root**2, 1.0)
    return Clusters(effect=y, design=x, sampling=sampling, present=present, order=cluster * m + place)


def working_covariance(data: Clusters, between: float, within: float) -> FloatArray:
    """Return S + between * 11' + within * I, cluster by cluster, shape (C, m, m)."""
    here = data.present.astype(float)
    total = data.sampling + between * here[:, :, None] * here[:, None, :]
    diagonal = np.arange(here.shape[1])
    total[:, diagonal, diagonal] += within * here
    return np.asarray(total)


def _surface(data: Clusters, roots: FloatArray) -> Surface:
    """Restricted log-likelihood over the square roots of both variances, with exact derivatives."""
    x, here = data.design, data.present.astype(float)
    inverse = np.linalg.inv(working_covariance(data, roots[0] ** 2, roots[1] ** 2))
    log_determinant = -np.linalg.slogdet(inverse)[1].sum()
    wx = inverse @ x
    cross = np.einsum("cmp,cmq->pq", x, wx)
    bread = np.linalg.inv(cross)
    beta = bread @ np.einsum("cmp,cm->p", wx, data.effect)
    residual = data.effect - x @ beta
    scaled = np.einsum("cmn,cn->cm", inverse, residual)
    value = -0.5 * (log_determinant + np.linalg.slogdet(cross)[1] + np.einsum("cm,cm->", residual, scaled))
    # V_0 = 11' and V_1 = I on what is present; W V_i W X and V_i W r are all that is needed of them.
    ones = here[:, :, None] * here[:, None, :]
    eye = np.eye(here.shape[1]) * here[:, :, None]
    kernels = (ones, eye)
    moved = [kernel @ scaled[..., None] for kernel in kernels]
    products = [inverse @ kernel for kernel in kernels]
    inner = [np.einsum("cmp,cmn,cnq->pq", wx, kernel, wx) for kernel in kernels]
    pulled = [np.einsum("cmp,cm->p", wx, move[..., 0]) for move in moved]
    slope = np.array(
        [
            -0.5 * (np.einsum("cmm->", products[i]) - np.sum(bread * inner[i]))
            + 0.5 * np.einsum("cm,cm->", scaled, moved[i][..., 0])
            for i in range(2)
        ]
    )
    curve = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            through = np.einsum("cmp,cmn,cnk,ckq->pq", wx, kernels[i], inverse @ kernels[j], wx)
            trace = (
                np.einsum("cmn,cnm->", products[i], products[j])
                - 2.0 * np.sum(bread * through)
                + np.sum((bread @ inner[i]) * (bread @ inner[j]).T)
            )
            quadratic = np.einsum("cm,cmn,cn->", moved[i][..., 0], inverse, moved[j][..., 0])
            curve[i, j] = 0.5 * trace - (quadratic - pulled[i] @ bread @ pulled[j])
    curve = (curve + curve.T) / 2.0
    gradient = 2.0 * roots * slope
    hessian = 2.0 * np.diag(slope) + 4.0 * np.outer(roots, roots) * curve
    return Surface(value=np.array([value]), gradient=gradient[None], hessian=hessian[None])


def _climb(data: Clusters, start: tuple[float, float], free: BoolArray) -> tuple[FloatArray, float, bool]:
    def evaluate(
        roots: FloatArray, extra: FloatArray, carry: tuple[FloatArray, ...], rows: IntArray
    ) -> Surface:
        return _surface(data, roots[0])

    top = climb(evaluate, np.array([start]), free=free)
    return np.abs(top.parameters[0]), float(top.surface.value[0]), bool(top.converged[0])


def _in_units(data: Clusters) -> tuple[Clusters, float]:
    """Divide effects by their typical size, so that steps and tolerances mean the same for every measure."""
    values = data.effect[data.present]
    typical = np.diagonal(data.sampling, axis1=1, axis2=2)[data.present].mean()
    unit = float(np.sqrt(max(float(np.var(values)), float(typical))))
    sampling = data.sampling / unit**2
    diagonal = np.arange(sampling.shape[1])
    sampling[:, diagonal, diagonal] = np.where(data.present, sampling[:, diagonal, diagonal], 1.0)
    scaled = Clusters(
        effect=data.effect / unit,
        design=data.design,
        sampling=sampling,
        present=data.present,
        order=data.order,
    )
    return scaled, unit


def free_roots(data: Clusters) -> BoolArray:
    """Say which variances can be told apart: without two effects in a cluster only the sum can."""
    return np.array([True, data.nested])


def fit_three_level(data: Clusters) -> ThreeLevelFit:
    """Fit by restricted maximum likelihood from several starts.

    Parameters
    ----------
    data : Clusters
        At least p + 1 effects; with one effect a cluster the variance within clusters stays 0.

    Examples
    --------
    >>> effect, cluster = np.array([0.1, 0.3, 0.8, 0.9, -0.2]), np.array([0, 0, 1, 1, 2])
    >>> data = by_cluster(effect, np.full(5, 0.01), np.ones((5, 1)), cluster)
    >>> round(float(fit_three_level(data).coefficients[0]), 3)
    0.287
    """
    scaled, unit = _in_units(data)
    free = free_roots(data)
    best: tuple[FloatArray, float, bool] | None = None
    for between, within in _STARTS:
        found = _climb(scaled, (between, within if free[1] else 0.0), free)
        if best is None or (found[2], found[1]) > (best[2], best[1] + 1e-9):
            best = found
    assert best is not None  # noqa: S101  (there is at least one start)
    roots, value, converged = best
    roots = np.where(roots < _ZERO_ROOT, 0.0, roots)
    n, p = int(data.present.sum()), data.design.shape[2]
    between, within = (float(part) for part in (roots * unit) ** 2)
    working = working_covariance(data, between, within)
    inverse = np.linalg.inv(working)
    wx = inverse @ data.design
    bread = np.linalg.inv(np.einsum("cmp,cmq->pq", data.design, wx))
    beta = bread @ np.einsum("cmp,cm->p", wx, data.effect)
    return ThreeLevelFit(
        coefficients=beta,
        covariance=bread,
        between=between,
        within=within,
        working=working,
        residual=np.where(data.present, data.effect - data.design @ beta, 0.0),
        log_likelihood=value - (n - p) * (np.log(unit) + 0.5 * np.log(2.0 * np.pi)),
        roots=roots,
        unit=unit,
        converged=converged,
    )


def variance_limits(
    data: Clusters, fit: ThreeLevelFit, *, component: int, cutoff: float
) -> tuple[float, float]:
    """Return profile limits of one variance (0 between, 1 within clusters) on the restricted likelihood.

    Parameters
    ----------
    data, fit
        As given to and returned by `fit_three_level`.
    component : int
    cutoff : float
        By how much twice the restricted log-likelihood may drop.

    Returns
    -------
    lower, upper : float
        0 and infinity where the likelihood never drops so far; NaN where no limit was found.
    """
    scaled, unit = _in_units(data)
    free = free_roots(data)
    free[component] = False
    top = float(_surface(scaled, fit.roots).value[0])
    centre = float(fit.roots[component])

    def drop(root: float) -> float:
        values = []
        for other in (0.1, 0.5, 1.0) if free.any() else (0.0,):
            start = (root, other) if component == 0 else (other, root)
            values.append(_climb(scaled, start, free))
        good = [value for _, value, converged in values if converged]
        return 2.0 * (top - max(good)) - cutoff if good else np.nan

    def many(root: FloatArray, rows: IntArray) -> FloatArray:
        return np.array([drop(float(one)) for one in root])

    lower = 0.0
    if centre > 0 and drop(0.0) > 0:
        found = root_in_bracket(many, np.array([0.0]), np.array([centre]))
        lower = float(found.root[0]) if found.converged[0] else np.nan
    far = max(2.0 * centre, 1.0)
    while drop(far) < 0 and far < _FARTHEST:
        far *= 2.0
    if far >= _FARTHEST:
        return (lower * unit) ** 2, np.inf
    found = root_in_bracket(many, np.array([centre]), np.array([far]))
    upper = float(found.root[0]) if found.converged[0] else np.nan
    return (lower * unit) ** 2, (upper * unit) ** 2
