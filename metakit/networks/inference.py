"""The default rule for networks: effects that differ between studies, their spread integrated out.

`half_normal` integrates the spread tau over a half-normal prior; `hartung_knapp` estimates it by restricted
maximum likelihood and widens the errors by the residual Q over its degrees of freedom, never below 1, with a
t quantile. One of them is the headline, the other stands beside it.

Sources: Friede 2017 and Rover 2021 (prior), Jackson & Riley 2014 Stat Med 33:541-554 (the refined errors of
multivariate models), Higgins 2009 (a new centre), Sweeting 2004 (the correction of empty arms).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.errors import NotEstimableError
from metakit.models.posteriors.bayesian_priors import LOG_RATIO_SCALE
from metakit.models.posteriors.half_normal_priors import STANDARDISED_SCALE
from metakit.networks.arms import NetworkArms
from metakit.networks.model import (
    Contrast,
    NetworkPart,
    chi_square,
    estimate_tau2,
    fit_part,
    membership,
    require_connected,
)
from metakit.numerics.networks import arm_regression as kernel
from metakit.numerics.posteriors.spread_integral import SpreadPosterior, spread_posterior

FEWEST_DF = 2
"""Residual degrees of freedom from which the Hartung-Knapp form answers: with one, t is 12.7."""

FEW_STUDIES = 4
"""Studies up to which twice the prior's scale is shown beside."""

RATIOS = ("odds_ratio", "risk_ratio", "rate_ratio")
CHUNK = 512
"""Contrasts whose quantiles are sought at once."""


def spread_scale(arms: NetworkArms) -> float | None:
    """Return the scale of the prior of tau, None where the measure has none.

    Half a pooled standard deviation of the arms for mean differences, 0.5 for logs of ratios. A difference of
    risks has none: how far centres differ depends on how frequent the event is.
    """
    if arms.measure in RATIOS:
        return LOG_RATIO_SCALE
    if arms.measure == "mean_difference" and {"sd", "total"} <= set(arms.data):
        free = arms.data["total"] - 1
        return STANDARDISED_SCALE * math.sqrt(float(np.sum(free * arms.data["sd"] ** 2) / np.sum(free)))
    return None


def posterior_of(x: FloatArray, arms: NetworkArms, scale: float) -> SpreadPosterior:
    """Integrate tau out of a regression of arm values on columns under study intercepts."""
    index, value, variance = arms.study_index, arms.value, arms.variance
    return spread_posterior(
        lambda tau: kernel.fit_arms_given_tau(x, index, value, variance, tau),
        scale=scale,
        smallest=math.sqrt(2.0 * float(variance.min())),
    )


def fit_part_half_normal(
    arms: NetworkArms, *, level: float = 0.95, scale: float | None = None
) -> NetworkPart:
    """Fit one connected part with the spread integrated over a half-normal prior.

    Parameters
    ----------
    arms : NetworkArms
    level : float
    scale : float, optional
        Of the prior; that of the measure when left out.

    Raises
    ------
    NotEstimableError
        If the part is not connected, or the measure has no scale for its prior.
    """
    if len(arms.studies) == 1:
        return replace(fit_part(arms, model="common_effect", level=level), model="random_effects")
    scale = spread_scale(arms) if scale is None else scale
    if scale is None:
        raise NotEstimableError(
            f"no prior is stated for the spread of a {arms.measure.replace('_', ' ')} without standard "
            "deviations of the arms; name inference hartung_knapp, or a model"
        )
    techniques = arms.techniques
    x = membership(arms, techniques)
    common = kernel.fit_arms(x, arms.study_index, arms.value, arms.variance)
    require_connected(common.rank, techniques)
    posterior = posterior_of(x, arms, scale)
    tails = (0.5 - level / 2, 0.5, 0.5 + level / 2)
    low, middle, high = (posterior.tau_quantile(tail) for tail in tails)
    fit = kernel.fit_arms(x, arms.study_index, arms.value, arms.variance, middle**2)
    return NetworkPart(
        arms=arms,
        techniques=techniques,
        model="random_effects",
        tau2_estimator="half_normal",
        tau2=middle**2,
        truncated=False,
        level=level,
        effects=fit.coefficients,
        covariance=fit.covariance,
        q=chi_square(common.q, common.df),
        df=common.df,
        inference="half_normal",
        scale=scale,
        tau2_interval=Limits(low**2, high**2),
        posterior=posterior,
        known=_contrasts(posterior, techniques, tails),
    )


def _contrasts(
    posterior: SpreadPosterior, techniques: tuple[str, ...], tails: tuple[float, float, float]
) -> dict[tuple[str, str], Contrast]:
    """Return every pair once: median, limits and prediction of the posterior."""
    pairs = [(i, j) for i in range(len(techniques)) for j in range(i + 1, len(techniques))]
    found: dict[tuple[str, str], Contrast] = {}
    for first in range(0, len(pairs), CHUNK):
        some = pairs[first : first + CHUNK]
        rows = np.zeros((len(some), len(techniques)))
        place = np.arange(len(some))
        rows[place, [i for i, _ in some]], rows[place, [j for _, j in some]] = 1.0, -1.0
        here, ahead = posterior.contrasts(rows), posterior.in_a_new_centre(rows)
        error = here.moments()[1]
        low, middle, high = (here.quantile(np.full(len(some), tail)) for tail in tails)
        new_low, new_high = (ahead.quantile(np.full(len(some), tail)) for tail in tails[::2])
        for n, (i, j) in enumerate(some):
            found[techniques[i], techniques[j]] = Contrast(
                technique=techniques[i],
                comparator=techniques[j],
                estimate=float(middle[n]),
                standard_error=float(error[n]),
                interval=Limits(float(low[n]), float(high[n])),
                prediction=Limits(float(new_low[n]), float(new_high[n])),
            )
    return found


def fit_part_hartung_knapp(arms: NetworkArms, *, level: float = 0.95) -> NetworkPart:
    """Fit one connected part by REML with errors of Hartung and Knapp's form, its factor not below 1.

    Raises
    ------
    NotEstimableError
        With fewer than 2 residual degrees of freedom, and if the part is not connected.

    References
    ----------
    Jackson D, Riley RD 2014 Stat Med 33:541-554; Rover C et al. 2015 BMC Med Res Methodol 15:99 (the floor).
    """
    if len(arms.studies) == 1:
        return replace(fit_part(arms, model="common_effect", level=level), model="random_effects")
    techniques = arms.techniques
    x = membership(arms, techniques)
    tau2, truncated = estimate_tau2(x, arms, "reml")
    common = kernel.fit_arms(x, arms.study_index, arms.value, arms.variance)
    fit = kernel.fit_arms(x, arms.study_index, arms.value, arms.variance, tau2)
    require_connected(fit.rank, techniques)
    if fit.df < FEWEST_DF:
        raise NotEstimableError(
            f"{len(arms.studies)} studies leave {fit.df} residual degree{'' if fit.df == 1 else 's'} of "
            "freedom for the spread between studies: inference hartung_knapp has no answer here; "
            "half_normal has one"
        )
    factor = max(1.0, fit.q / fit.df)
    return NetworkPart(
        arms=arms,
        techniques=techniques,
        model="random_effects",
        tau2_estimator="reml",
        tau2=tau2,
        truncated=truncated,
        level=level,
        effects=fit.coefficients,
        covariance=factor * fit.covariance,
        q=chi_square(common.q, common.df),
        df=fit.df,
        inference="hartung_knapp",
        quantile_df=float(fit.df),
        factor=factor,
    )
