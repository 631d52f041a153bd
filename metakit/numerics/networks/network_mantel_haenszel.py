"""Mantel-Haenszel over tables of several arms, and the combination of designs by generalised least squares.

Arms of study k: X_i events and Y_i = n_i - X_i others of N = sum of n_i thumbs. For each pair of arms
C_ij = sum over k of X_i Y_j / N, and the log odds ratio is L_ij = log(C_ij / C_ji) (Mantel & Haenszel 1959).
The pairs of three or more arms need not agree; the generalised estimate of an arm is the mean of its L_ij
over all j (Mickey & Elashoff 1985, as used by Greenland 1989).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.networks.arm_regression import RANK_TOLERANCE


def cross_products(events: FloatArray, total: FloatArray) -> FloatArray:
    """Return C, shape (arms, arms); a pair can be estimated where C_ij and C_ji are above 0.

    Parameters
    ----------
    events, total : ndarray, shape (studies, arms)
    """
    share = events / total.sum(axis=1, keepdims=True)
    return np.asarray(share.T @ (total - events))


def pairwise_log_odds_ratios(events: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the Mantel-Haenszel log odds ratio of every pair of arms and the covariances between pairs.

    Parameters
    ----------
    events, total : ndarray, shape (studies, arms)
        Studies of one design; every pair must be estimable (`cross_products`).

    Returns
    -------
    estimate : ndarray, shape (arms, arms)
        Row arm against column arm.
    covariance : ndarray, shape (arms, arms, arms, arms)
        Entry (i, j, g, h): of L_ij with L_gh.

    Notes
    -----
    Var(L_ij) is that of Robins, Breslow & Greenland (1986), consistent for many small and for few large
    studies. With T_ij = (X_i Y_j - psi_ij X_j Y_i) / N, E(T_ij T_ih) for j other than h is
    N^-2 n_i n_j n_h q_j q_h p_i / q_i for independent binomials (p the risk, q = 1 - p), which has three
    unbiased forms: X_i Y_j Y_h + psi_ij psi_ih Y_i X_j X_h, n_i psi_ij X_j Y_h and n_i psi_ih X_h Y_j. Their
    mean is taken, as in Greenland (1989; formula from memory, derived again here). Pairs without a common arm
    are uncorrelated.

    References
    ----------
    Greenland S 1989 Biometrics 45:183-191; Robins, Breslow & Greenland 1986 Biometrics 42:311-323.
    """
    arms = events.shape[1]
    whole = total.sum(axis=1)
    x, y, n = (part / whole[:, None] for part in (events, total - events, total))
    # Every product below carries N^-2 in all: x, y and n are shares, and a triple product is multiplied by N.
    cross = cross_products(events, total)
    estimate = np.log(cross) - np.log(cross.T)
    shared = np.zeros((arms, arms, arms))  # (i, j, h): covariance of L_ij with L_ih
    for i in range(arms):
        for j in range(arms):
            for h in range(arms):
                if i in (j, h):
                    continue
                c_ij, c_ji, c_ih, c_hi = cross[i, j], cross[j, i], cross[i, h], cross[h, i]
                if j == h:
                    first, second = x[:, i] * y[:, j] * whole, x[:, j] * y[:, i] * whole
                    p, q = x[:, i] + y[:, j], x[:, j] + y[:, i]
                    shared[i, j, h] = (
                        np.sum(p * first) / (2 * c_ij**2)
                        + np.sum(p * second + q * first) / (2 * c_ij * c_ji)
                        + np.sum(q * second) / (2 * c_ji**2)
                    )
                else:
                    shared[i, j, h] = (
                        np.sum(x[:, i] * y[:, j] * y[:, h] * whole) / (c_ij * c_ih)
                        + np.sum(y[:, i] * x[:, j] * x[:, h] * whole) / (c_ji * c_hi)
                        + np.sum(n[:, i] * x[:, j] * y[:, h] * whole) / (c_ji * c_ih)
                        + np.sum(n[:, i] * x[:, h] * y[:, j] * whole) / (c_ij * c_hi)
                    ) / 3
    covariance = np.zeros((arms,) * 4)
    for i in range(arms):
        for j in range(arms):
            for h in range(arms):
                # L_ij = -L_ji, so that the three other ways to share an arm differ by sign only.
                covariance[i, j, i, h] += shared[i, j, h]
                covariance[j, i, i, h] -= shared[i, j, h] if j != i else 0.0
                covariance[i, j, h, i] -= shared[i, j, h] if h != i else 0.0
                covariance[j, i, h, i] += shared[i, j, h] if i not in (j, h) else 0.0
    for i in range(arms):
        for j in range(arms):
            # A pair with itself shares both arms: counted from either one above, so it is set once here.
            covariance[i, j, i, j] = shared[i, j, j]
            covariance[i, j, j, i] = -shared[i, j, j]
    return estimate, covariance


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DesignEstimate:
    """Log odds of the arms of one design relative to their mean.

    column : (arms,) column of each arm in the network; estimate (arms,); covariance (arms, arms), of rank
    arms - 1.
    """

    column: np.ndarray
    estimate: FloatArray
    covariance: FloatArray

    @property
    def weight(self) -> FloatArray:
        """Generalised inverse of the covariance: the weight matrix of the arms, shape (arms, arms)."""
        size = len(self.estimate)
        turn = np.hstack((-np.ones((size - 1, 1)), np.eye(size - 1)))
        return np.asarray(turn.T @ np.linalg.solve(turn @ self.covariance @ turn.T, turn))


def design_estimate(column: np.ndarray, events: FloatArray, total: FloatArray) -> DesignEstimate:
    """Return the generalised Mantel-Haenszel estimate of one design, shape (studies, arms) in."""
    pairs, covariance = pairwise_log_odds_ratios(events, total)
    return DesignEstimate(
        column=column, estimate=pairs.mean(axis=1), covariance=np.asarray(covariance.mean(axis=(1, 3)))
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DesignFit:
    """Designs combined. As `ArmFit`; `pieces` (designs, p, p) add up to the information."""

    coefficients: FloatArray
    covariance: FloatArray
    pieces: FloatArray
    q: float
    df: int
    rank: int


def fit_designs(x: Sequence[FloatArray], designs: Sequence[DesignEstimate]) -> DesignFit:
    """Regress the designs' estimates on columns by generalised least squares.

    Parameters
    ----------
    x : sequence of ndarray, shape (arms of the design, p)
    designs : sequence of DesignEstimate

    Returns
    -------
    DesignFit
        The minimum-norm solution; only estimable combinations of it mean anything.
    """
    weights = [design.weight for design in designs]
    pieces = np.array([part.T @ w @ part for part, w in zip(x, weights, strict=True)])
    information = pieces.sum(axis=0)
    right = sum(
        (part.T @ w @ design.estimate for part, w, design in zip(x, weights, designs, strict=True)),
        np.zeros(information.shape[0]),
    )
    singular, directions = np.linalg.eigh(information)
    kept: BoolArray = singular > RANK_TOLERANCE * max(float(singular[-1]), 1e-300)
    basis = directions[:, kept]
    covariance = (basis / singular[kept]) @ basis.T
    coefficients = covariance @ right
    q = 0.0
    for part, w, design in zip(x, weights, designs, strict=True):
        residual = design.estimate - part @ coefficients
        q += float(residual @ w @ residual)
    rank = int(kept.sum())
    return DesignFit(
        coefficients=coefficients,
        covariance=covariance,
        pieces=pieces,
        q=q,
        df=sum(len(design.estimate) - 1 for design in designs) - rank,
        rank=rank,
    )
