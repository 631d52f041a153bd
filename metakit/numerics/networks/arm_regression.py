"""Weighted regression of arm-level values with study intercepts: the kernel under networks and components.

An arm i of study s has a value m (logit of the risk, log rate, mean, ...) with variance v. A contrast
model with multi-arm studies, whose between-study covariance is tau2 for every contrast and tau2/2 between
contrasts that share an arm, is the same as independent arm effects of variance tau2/2 under study
intercepts (Lu & Ades 2004; Rucker 2012 for the graph form). So nothing but a weighted regression is
needed, for any number of arms: each study's weighted mean is taken out of the columns, and the normal
equations are assembled from what remains.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from metakit.numerics.posteriors.spread_integral import GivenTau, joined

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

# Singular values below this fraction of the largest count as zero: columns are 0/1 memberships or their
# products, weighted, so a genuine direction is never this weak.
RANK_TOLERANCE = 1e-9

CHUNK = 1 << 20
"""Numbers worked on at once."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArmFit:
    """Fit of one weighted regression.

    coefficients : (p,) minimum-norm solution; only estimable combinations of it mean anything.
    covariance : (p, p) pseudo-inverse of the information.
    information : (p, p)
    q : weighted residual sum of squares; `df` its degrees of freedom.
    residual_trace : trace of the residual projection, for moment estimators.
    score_square : sum of squared weighted residuals, for the likelihood's derivative.
    rank : rank of the information.
    null_space : (p, p - rank) orthonormal directions that the data say nothing about.
    log_determinant : of the information on its range.
    """

    coefficients: FloatArray
    covariance: FloatArray
    information: FloatArray
    q: float
    df: int
    residual_trace: float
    score_square: float
    rank: int
    null_space: FloatArray
    log_determinant: float


def starts_of(study: IntArray) -> IntArray:
    """Return where each study's run of arms starts; arms must be sorted by study."""
    return np.flatnonzero(np.concatenate(([True], study[1:] != study[:-1])))


def fit_arms(
    x: FloatArray, study: IntArray, value: FloatArray, variance: FloatArray, tau2: float = 0.0
) -> ArmFit:
    """Regress arm values on columns under study intercepts.

    Parameters
    ----------
    x : (n, p) columns of the arms (technique memberships, components, products with moderators).
    study : (n,) index of the arm's study, sorted, so that a study's arms stand together.
    value, variance : (n,) arm values and their sampling variances.
    tau2 : between-study variance of a contrast.

    Returns
    -------
    ArmFit

    References
    ----------
    Lu G, Ades AE 2004 Stat Med 23:3105-3124; Rücker G 2012 Res Synth Methods 3:312-324.
    """
    weight = 1.0 / (variance + tau2 / 2.0)
    starts = starts_of(study)
    runs = np.diff(np.concatenate((starts, [study.size])))
    total = np.add.reduceat(weight, starts)
    mean_x = np.add.reduceat(weight[:, None] * x, starts, axis=0) / total[:, None]
    mean_y = np.add.reduceat(weight * value, starts) / total
    centred_x = x - np.repeat(mean_x, runs, axis=0)
    centred_y = value - np.repeat(mean_y, runs)
    weighted_x = weight[:, None] * centred_x
    information = centred_x.T @ weighted_x
    singular, directions = np.linalg.eigh(information)
    largest = float(singular[-1]) if singular.size else 0.0
    kept = singular > RANK_TOLERANCE * largest if largest > 0 else np.zeros(singular.shape, dtype=bool)
    basis = directions[:, kept]
    covariance = (basis / singular[kept]) @ basis.T
    coefficients = covariance @ (weighted_x.T @ centred_y)
    residual = centred_y - centred_x @ coefficients
    weighted_residual = weight * residual
    rank = int(kept.sum())
    # Trace of the residual projection W - W 1 1'W / sum(w) - (its part explained by the columns).
    within = float(np.sum(weight) - np.sum(np.add.reduceat(weight**2, starts) / total))
    explained = float(np.sum((weighted_x @ covariance) * weighted_x))
    return ArmFit(
        coefficients=coefficients,
        covariance=covariance,
        information=information,
        q=float(residual @ weighted_residual),
        df=int(study.size - starts.size - rank),
        residual_trace=within - explained,
        score_square=float(weighted_residual @ weighted_residual),
        rank=rank,
        null_space=directions[:, ~kept],
        log_determinant=float(np.sum(np.log(singular[kept]))),
    )


def moment_tau2(q: float, df: int, residual_trace: float) -> tuple[float, bool]:
    """Return the moment estimate of tau2 from a common-effect fit, and whether it was cut off at zero.

    E(Q) = df + tau2/2 times the trace of the residual projection: the generalised DerSimonian-Laird estimator
    (Jackson 2012), which is the usual one when every study has two arms and there is one contrast.
    """
    if df <= 0 or residual_trace <= 0:
        return 0.0, False
    raw = 2.0 * (q - df) / residual_trace
    return max(raw, 0.0), raw < 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Centred:
    """Columns and values with each study's weighted mean taken out, at one tau2.

    weight : (n,); x : (n, p); y : (n,); total : (studies,) sums of weights.
    """

    weight: FloatArray
    x: FloatArray
    y: FloatArray
    total: FloatArray


def centre(x: FloatArray, study: IntArray, value: FloatArray, variance: FloatArray, tau2: float) -> Centred:
    """Take each study's weighted mean out of columns and values."""
    weight = 1.0 / (variance + tau2 / 2.0)
    starts = starts_of(study)
    runs = np.diff(np.concatenate((starts, [study.size])))
    total = np.add.reduceat(weight, starts)
    both = np.column_stack((x, value))
    mean = np.add.reduceat(weight[:, None] * both, starts, axis=0) / total[:, None]
    both -= np.repeat(mean, runs, axis=0)
    return Centred(weight=weight, x=both[:, :-1], y=both[:, -1], total=total)


def estimable_basis(x: FloatArray, study: IntArray) -> FloatArray:
    """Return orthonormal directions of the columns that differ within studies, shape (p, rank).

    What the data cannot tell (columns, or sums of them, that are constant within every study) does not depend
    on the weights, so that this is done once for all tau2.
    """
    flat = centre(x, study, np.zeros(len(study)), np.ones(len(study)), 0.0).x
    singular, directions = np.linalg.eigh(flat.T @ flat)
    return directions[:, singular > RANK_TOLERANCE * max(float(singular[-1]), 1e-300)]


def restricted_score_and_likelihood(
    x: FloatArray, study: IntArray, value: FloatArray, variance: FloatArray, tau2: float
) -> tuple[float, float]:
    """Return the restricted log-likelihood's derivative by tau2/2, and the log-likelihood up to a constant.

    Parameters
    ----------
    x : ndarray, shape (n, rank)
        Columns times `estimable_basis`, so that the information has full rank.
    study, value, variance : ndarray, shape (n,)
    tau2 : float

    References
    ----------
    Harville 1977 J Am Stat Assoc 72:320-338.
    """
    part = centre(x, study, value, variance, tau2)
    weighted = part.weight[:, None] * part.x
    information = part.x.T @ weighted
    coefficients = np.linalg.solve(information, weighted.T @ part.y)
    residual = part.y - part.x @ coefficients
    weighted_residual = part.weight * residual
    square = np.add.reduceat(part.weight**2, starts_of(study))
    within = float(np.sum(part.weight) - np.sum(square / part.total))
    explained = float(np.trace(np.linalg.solve(information, weighted.T @ weighted)))
    score = 0.5 * (float(weighted_residual @ weighted_residual) - (within - explained))
    log_determinant = float(np.linalg.slogdet(information)[1])
    likelihood = -0.5 * (
        float(np.sum(np.log(part.total)) - np.sum(np.log(part.weight)))
        + log_determinant
        + float(residual @ weighted_residual)
    )
    return score, likelihood


def fit_arms_given_tau(
    x: FloatArray, study: IntArray, value: FloatArray, variance: FloatArray, tau: FloatArray
) -> GivenTau:
    """Regress arm values on columns under study intercepts at each of J values of tau.

    Parameters
    ----------
    x : ndarray, shape (n, p)
    study, value, variance : ndarray, shape (n,)
    tau : ndarray, shape (J,)
        Standard deviation of a contrast between studies.

    Returns
    -------
    GivenTau
        Coefficients and covariances as `fit_arms` gives them at each tau (minimum norm, pseudo-inverse).
    """
    basis = estimable_basis(x, study)
    narrow = x @ basis
    parts = [
        _given_tau(narrow, study, value, variance, some)
        for some in np.array_split(tau, max(1, -(-tau.size * narrow.size // CHUNK)))
    ]
    found = joined(parts)
    return replace(
        found, coefficients=found.coefficients @ basis.T, covariance=basis @ found.covariance @ basis.T
    )


def _given_tau(
    x: FloatArray, study: IntArray, value: FloatArray, variance: FloatArray, tau: FloatArray
) -> GivenTau:
    weight = 1.0 / (variance + tau[:, None] ** 2 / 2.0)
    starts = starts_of(study)
    runs = np.diff(np.concatenate((starts, [study.size])))
    total = np.add.reduceat(weight, starts, axis=-1)
    both = np.column_stack((x, value))
    mean = np.add.reduceat(weight[..., None] * both, starts, axis=-2) / total[..., None]
    both = both - np.repeat(mean, runs, axis=-2)
    columns, y = both[..., :-1], both[..., -1]
    weighted = weight[..., None] * columns
    information = np.swapaxes(columns, -1, -2) @ weighted
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    coefficients = (covariance @ (np.swapaxes(weighted, -1, -2) @ y[..., None]))[..., 0]
    residual = y - (columns @ coefficients[..., None])[..., 0]
    q = np.vecdot(weight * residual, residual)
    log_likelihood = -0.5 * (
        np.log(total).sum(axis=-1) - np.log(weight).sum(axis=-1) + np.linalg.slogdet(information)[1] + q
    )
    return GivenTau(
        tau=tau, coefficients=coefficients, covariance=covariance, log_likelihood=log_likelihood, q=q
    )
