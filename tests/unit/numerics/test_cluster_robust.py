"""The robust covariance CR2: what makes it unbiased, and what must not change with the unit.

Source: Bell RM, McCaffrey DF 2002, Surv Methodol 28:169-181.
"""

from __future__ import annotations

import numpy as np
import pytest

from metakit.numerics.cluster_robust import RobustCovariance, cluster_robust_covariance

# Invented: four clusters of two rows, an intercept and a slope.
DESIGN = np.stack([np.ones((4, 2)), np.array([[0, 1], [2, 3], [1, 5], [4, 0]], dtype=float)], axis=-1)
WORKING = np.array([[[0.5, 0.1], [0.1, 0.4]], [[1.0, 0.3], [0.3, 0.8]]] * 2)
RESIDUAL = np.array([[0.3, -0.2], [0.5, 0.1], [-0.6, 0.2], [0.1, -0.3]])


def found(unit: float = 1.0) -> RobustCovariance:
    return cluster_robust_covariance(DESIGN, unit**2 * WORKING, unit * RESIDUAL)


@pytest.mark.parametrize("unit", [1e-8, 1e-4, 1e4, 1e8])
def test_another_unit_scales_the_covariance_and_keeps_the_degrees_of_freedom(unit: float) -> None:
    assert found(unit).covariance == pytest.approx(unit**2 * found().covariance, rel=1e-9)
    assert found(unit).df == pytest.approx(found().df, rel=1e-9)


def test_one_row_a_cluster_and_equal_variances_give_the_plain_correction_for_leverage() -> None:
    """HC2 (MacKinnon JG, White H 1985, J Econom 29:305-325), written out: residuals over 1 - leverage."""
    x = DESIGN.reshape(8, 2)
    e = RESIDUAL.reshape(8)
    bread = np.linalg.inv(x.T @ x)
    leverage = np.einsum("ip,pq,iq->i", x, bread, x)
    expected = bread @ (x.T * (e**2 / (1 - leverage))) @ x @ bread
    single = cluster_robust_covariance(x[:, None, :], np.full((8, 1, 1), 0.7), e[:, None])
    assert single.covariance == pytest.approx(expected, rel=1e-12)


def test_it_is_unbiased_under_its_own_model() -> None:
    """The mean over residuals of the working model is the model's covariance, exactly."""
    whole = np.zeros((8, 8))
    for cluster in range(4):
        part = slice(2 * cluster, 2 * cluster + 2)
        whole[part, part] = WORKING[cluster]
    x = DESIGN.reshape(8, 2)
    inverse = np.linalg.inv(whole)
    model = np.linalg.inv(x.T @ inverse @ x)
    maker = np.eye(8) - x @ model @ x.T @ inverse
    mean = np.zeros((2, 2))
    for axis in np.linalg.cholesky(whole).T:  # the sum over the columns of a root is the expectation
        mean += cluster_robust_covariance(DESIGN, WORKING, (maker @ axis).reshape(4, 2)).covariance
    assert mean == pytest.approx(model, rel=1e-10)
    # a mean of independent normal residuals of one variance: the degrees of freedom of the t test
    alone = cluster_robust_covariance(np.ones((6, 1, 1)), np.full((6, 1, 1), 0.3), np.zeros((6, 1)))
    assert alone.df == pytest.approx([5.0], rel=1e-12)


def test_a_cluster_that_alone_decides_a_coefficient_is_left_out_of_its_spread() -> None:
    own = DESIGN.copy()
    own[:, :, 1] = 0.0
    own[3, :, 1] = 1.0  # a coefficient of the last cluster: nothing of its residual is left to judge by
    residual = RESIDUAL.copy()
    residual[3] -= residual[3].mean()
    with np.errstate(invalid="ignore", divide="ignore"):
        result = cluster_robust_covariance(own, np.broadcast_to(np.eye(2), (4, 2, 2)).copy(), residual)
    assert np.isfinite(result.covariance).all()
