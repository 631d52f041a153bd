"""Random effects with the spread between centres integrated over a half-normal prior: the default.

References
----------
Friede et al. (2017), Biom J 59:658-671 and Res Synth Methods 8:79-91; Rover et al. (2021); Higgins, Thompson
& Spiegelhalter (2009) for the effect in a new centre.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from metakit.core.beside import Companion
from metakit.core.effects import EffectTable
from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.results import Heterogeneity, Limits, MeanInterval, PoolResult, Prediction, TestStatistic
from metakit.errors import UsageError
from metakit.models.assembly import all_set_aside, back_transform, null_value, study_rows
from metakit.models.common_effect import pooled_rows, refuse
from metakit.models.companions import beside_normal, twice_the_spread
from metakit.models.half_normal_priors import OPTION, HalfNormalPrior, half_normal_prior
from metakit.models.inference import LIKELIHOODS
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.numerics.half_normal_effects import HalfNormalAnswers, half_normal_posterior
from metakit.numerics.heterogeneity import cochran_q, ratios_from_q, ratios_from_tau2, typical_variance
from metakit.numerics.weights import prepare


def fit(table: EffectTable, options: PoolOptions) -> PoolResult:
    """Pool with the spread between centres integrated over a half-normal prior.

    Parameters
    ----------
    table : EffectTable
    options : PoolOptions
        `likelihood`, else the one that belongs to the measure; `extra` takes `tau_prior_scale`.

    Returns
    -------
    HalfNormalResult

    Raises
    ------
    NotEstimableError
        When no study can be pooled.
    UsageError
        For an option that the model does not have, and where the measure gives no prior scale.

    References
    ----------
    Friede et al. (2017); Rover et al. (2021).
    """
    refuse(
        "half_normal",
        tau2=options.tau2,
        interval=options.interval,
        tau2_interval=options.tau2_interval,
        prediction=options.prediction,
        **{name: value for name, value in options.extra.items() if name != OPTION},
    )
    return fit_normal(table, options)


def prior_of(table: EffectTable, options: PoolOptions) -> HalfNormalPrior:
    """Return the prior of tau, or say that one must be stated."""
    prior = half_normal_prior(table, options.extra.get(OPTION))
    if prior is None:
        raise UsageError(
            f"there is no default prior scale of tau for these effects ({table.measure}) without the sizes "
            f"and standard deviations of the studies; state {OPTION} on the analysis scale, or ask for the "
            "inference hartung_knapp"
        )
    return prior


def fit_normal(table: EffectTable, options: PoolOptions) -> HalfNormalResult:
    """Pool normal effects with known variances."""
    rows = pooled_rows(table)
    prior = prior_of(table, options)
    null = null_value(table)
    found, posteriors = half_normal_posterior(
        rows.effect,
        rows.variance,
        scales=(prior.scale, 2.0 * prior.scale),
        threshold=0.0 if null is None else null,
        level=options.level,
    )
    ahead = Prediction(
        method="posterior",
        interval=Limits(float(found.new_lower[0]), float(found.new_upper[0])),
        df=math.inf,
    )
    return HalfNormalResult(
        measure=table.measure,
        level=options.level,
        studies=study_rows(rows, found.share[0] / found.share[0].sum(), options.level),
        mean=MeanInterval(
            method="equal_tailed",
            standard_error=float(found.deviation[0]),
            interval=Limits(float(found.lower[0]), float(found.upper[0])),
            statistic=None,
            p_value=None,
        ),
        estimate=float(found.median[0]),
        heterogeneity=_heterogeneity(rows, found, options.level),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table),
        assumptions=table.assumptions,
        notes=(*table.notes, *words(prior.sentence(), prior.caution)),
        references=tuple(
            dict.fromkeys(
                (*LIKELIHOODS["normal"].references, "higgins_thompson_spiegelhalter_2009", "rover_2021")
            )
        ),
        likelihood="normal",
        beside=(
            twice_the_spread(found, 1),
            *beside_normal(rows, options.level),
        ),
        posterior=posteriors[0],
        prior_scale=prior.scale,
        prior=prior.sentence(),
        posterior_mean=float(found.mean[0]),
        prediction=ahead,
        above=None if null is None else float(found.above[0]),
        new_above=None if null is None else float(found.new_above[0]),
    )


def words(*sentences: str) -> list[str]:
    """Return the notes of the model, the cautions first."""
    given = [sentence for sentence in sentences if sentence]
    return sorted(given, key=lambda sentence: not sentence.startswith("Caution"))


def with_companion(result: HalfNormalResult, *items: Companion) -> HalfNormalResult:
    """Return the result with more answers beside it."""
    return replace(result, beside=(*result.beside, *items))


def _heterogeneity(rows: EffectTable, found: HalfNormalAnswers, level: float) -> Heterogeneity:
    """Say how much studies differ: tau from its posterior, Q from the effects."""
    studies = prepare(rows.effect, rows.variance)
    tau, low, high = (float(part[0]) for part in (found.tau, found.tau_lower, found.tau_upper))
    limits = Limits(low**2, high**2)
    if len(rows) == 1:
        return Heterogeneity(tau2=tau**2, tau2_interval=limits, tau2_interval_method="equal_tailed")
    q, typical = cochran_q(studies), typical_variance(studies)
    ratios, by_q = ratios_from_tau2(typical, tau**2), ratios_from_q(q.value, q.df, level)
    shares = ratios_from_tau2(typical, np.array(limits)).i2
    return Heterogeneity(
        q=TestStatistic(float(q.value), float(q.df), float(q.p_value)),
        tau2=tau**2,
        tau2_interval=limits,
        tau2_interval_method="equal_tailed",
        i2=float(ratios.i2),
        i2_interval=Limits(*(float(share) for share in shares)),
        h2=float(ratios.h2),
        i2_from_q=float(by_q.i2),
        i2_from_q_interval=Limits(float(by_q.i2_lower), float(by_q.i2_upper)) if q.df > 1 else None,
    )


MODELS.add(
    Model(
        name="half_normal",
        label="Random effects, spread integrated over a half-normal prior",
        fit=fit,
        references=("friede_2017", "friede_2017_few", "rover_2021"),
    )
)
