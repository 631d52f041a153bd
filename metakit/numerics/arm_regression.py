"""Weighted regression of arm-level values with study intercepts: the kernel under networks and components.

An arm i of study s has a value m (logit of the risk, log rate, mean, ...) with variance v. A contrast
model with multi-arm studies, whose between-study covariance is tau2 for every contrast and tau2/2 between
contrasts that share an arm, is the same as independent arm effects of variance tau2/2 under study
intercepts (Lu & Ades 2004; Rucker 2012 for the graph form). So nothing but a weighted regression is
needed, for any number of arms: each study's weighted mean is taken out of the columns, and the normal
equations are assembled from what remains.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

# Singular values below this fraction of the largest count as zero: columns are 0/1 memberships or their
# products, weighted, so a genuine direction is never this weak.
RANK_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArmFit:
    """Fit of one weighted regression.

    coefficients : (p,) minimum-norm solution; only estimable combinations of it mean anything.
    covariance : (p, p) pseudo-inverse of the information.
    information : (p, p); `study_information` gives its parts.
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


def study_information(x: FloatArray, study: IntArray, variance: FloatArray, tau2: float = 0.0) -> FloatArray:
    """Return each study's part of the information, shape (studies, p, p); they add up to the whole.

    References
    ----------
    Riley RD et al. 2018 Stat Methods Med Res 27:2885-2905 (percentage study weights).
    """
    weight = 1.0 / (variance + tau2 / 2.0)
    starts = starts_of(study)
    runs = np.diff(np.concatenate((starts, [study.size])))
    total = np.add.reduceat(weight, starts)
    mean_x = np.add.reduceat(weight[:, None] * x, starts, axis=0) / total[:, None]
    centred = x - np.repeat(mean_x, runs, axis=0)
    products = weight[:, None, None] * centred[:, :, None] * centred[:, None, :]
    return np.add.reduceat(products, starts, axis=0)


def moment_tau2(fit: ArmFit) -> tuple[float, bool]:
    """Return the moment estimate of tau2 from a common-effect fit, and whether it was cut off at zero.

    E(Q) = df + tau2/2 times the trace of the residual projection: the generalised DerSimonian-Laird estimator
    (Jackson 2012), which is the usual one when every study has two arms and there is one contrast.
    """
    if fit.df <= 0 or fit.residual_trace <= 0:
        return 0.0, False
    raw = 2.0 * (fit.q - fit.df) / fit.residual_trace
    return max(raw, 0.0), raw < 0.0


def restricted_log_likelihood(
    x: FloatArray, study: IntArray, value: FloatArray, variance: FloatArray, tau2: float
) -> float:
    """Return the restricted log-likelihood of tau2, up to a constant."""
    fit = fit_arms(x, study, value, variance, tau2)
    spread = variance + tau2 / 2.0
    total = np.add.reduceat(1.0 / spread, starts_of(study))
    return -0.5 * float(np.sum(np.log(spread)) + np.sum(np.log(total)) + fit.log_determinant + fit.q)


def restricted_score(
    x: FloatArray, study: IntArray, value: FloatArray, variance: FloatArray, tau2: float
) -> float:
    """Return the derivative of the restricted log-likelihood with respect to tau2/2."""
    fit = fit_arms(x, study, value, variance, tau2)
    return 0.5 * (fit.score_square - fit.residual_trace)
