"""Cluster-robust covariance with the small-sample correction CR2 and Satterthwaite degrees of freedom.

References
----------
Bell RM, McCaffrey DF (2002). Surv Methodol 28:169-181. Tipton E (2015). Psychol Methods 20:375-393.
Pustejovsky JE, Tipton E (2018). J Bus Econ Stat 36:672-683 (the form with a working model, followed here).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray

_SINGULAR = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RobustCovariance:
    """Covariance of p coefficients, and the degrees of freedom of each one's t statistic."""

    covariance: FloatArray
    df: FloatArray


def cluster_robust_covariance(
    design: FloatArray, working: FloatArray, residual: FloatArray
) -> RobustCovariance:
    """Return CR2 and its degrees of freedom for coefficients weighted by the inverse working covariance.

    Parameters
    ----------
    design : ndarray, shape (C, m, p)
        By cluster, padded with zeros to the largest.
    working : ndarray, shape (C, m, m)
        Working covariance; positive definite also in the padding (the identity there), with no covariance
        between padding and the rest.
    residual : ndarray, shape (C, m)
        0 in the padding.

    Notes
    -----
    If the working covariance is right the estimate is unbiased; if it is not, it stays consistent as
    clusters become many. The degrees of freedom are those of the working model.
    """
    weight = np.linalg.inv(working)
    wx = weight @ design
    bread = np.linalg.inv(np.einsum("cmp,cmq->pq", design, wx))
    # D with D'D = working covariance: the upper Cholesky factor.
    upper = np.swapaxes(np.linalg.cholesky(working), 1, 2)
    left_over = working - design @ bread @ np.swapaxes(design, 1, 2)
    middle = upper @ left_over @ np.swapaxes(upper, 1, 2)
    size, axes = np.linalg.eigh((middle + np.swapaxes(middle, 1, 2)) / 2.0)
    largest = size.max(axis=1, keepdims=True)
    solid = size > _SINGULAR * largest
    root = np.where(solid, 1.0 / np.sqrt(np.where(solid, size, 1.0)), 0.0)
    inverse_root = (axes * root[:, None, :]) @ np.swapaxes(axes, 1, 2)
    adjust = np.swapaxes(upper, 1, 2) @ inverse_root @ upper
    # Each cluster's pull on the coefficients, shape (C, m, p): A' W X M.
    pull = np.swapaxes(adjust, 1, 2) @ wx @ bread
    scores = np.einsum("cmp,cm->cp", pull, residual)
    own = np.einsum("cmp,cmn,cnp->cp", pull, working, pull)
    shared = np.einsum("cmq,cmp->cqp", design, pull)
    linked = np.einsum("cqp,qr,crp->cp", shared, bread, shared)
    total = np.einsum("cqp,crp->pqr", shared, shared)
    square = bread @ total
    across = np.einsum("pqr,prq->p", square, square)
    expected = (own - linked).sum(axis=0)
    spread = (own**2 - 2.0 * own * linked).sum(axis=0) + across
    return RobustCovariance(covariance=scores.T @ scores, df=expected**2 / spread)
