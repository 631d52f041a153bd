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
from metakit.core.effects import EffectTable, FloatArray
from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.limits import Limits, TestStatistic
from metakit.core.results import Heterogeneity, MeanInterval, Prediction
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.measures.registry import MEASURES
from metakit.models.assembly import all_set_aside, back_transform, null_value, study_rows
from metakit.models.common_effect import pooled_rows, refuse
from metakit.models.companions import MEAN_OF_CENTRES, beside_normal, twice_the_spread
from metakit.models.companions_of_counts import crude_total, exact_limit, mantel_haenszel, profile_likelihood
from metakit.models.half_normal_counts import answer_counts, companion_of, fit_counts
from metakit.models.inference import LIKELIHOODS, NEAR_RARE, informative, likelihood_of, overall_risk, serving
from metakit.models.of_counts.uncorrected import with_default_correction
from metakit.models.posteriors.half_normal_priors import OPTION, HalfNormalPrior, half_normal_prior
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.numerics.heterogeneity import cochran_q, ratios_from_q, ratios_from_tau2, typical_variance
from metakit.numerics.posteriors.half_normal_effects import HalfNormalAnswers, half_normal_posterior
from metakit.numerics.weights import prepare


def fit(table: EffectTable, options: PoolOptions) -> HalfNormalResult:
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
    likelihood = chosen_likelihood(table, options.likelihood)
    table = with_default_correction(table)
    prior, beside = prior_of(table, options), options.beside
    if likelihood == "normal":
        normal = fit_normal(table, prior, options.level, beside=beside)
        return _near_rare(_with_totals(normal, table, prior, options), table, prior, options)
    result, columns = fit_counts(table, likelihood, prior, options.level, wider=beside)
    if MEASURES[table.measure].arms == 1:
        return replace(result, beside=(*result.beside, *_beside_one_arm(table, columns, options)))
    if not (beside or _one_arm_empty(columns)):
        return result
    normal = fit_normal(table, prior, options.level, beside=beside)
    if beside:
        others = (
            as_companion(normal, "normal_likelihood", "normal effects, empty arms corrected"),
            *(item for item in normal.beside if item.name != "twice_the_spread"),
            mantel_haenszel(table.measure, columns, options.level),
        )
        return _limit_where_one_arm_is_empty(
            replace(result, beside=(*result.beside, *others)), result, normal, columns
        )
    return _limit_where_one_arm_is_empty(result, result, normal, columns)


def _beside_one_arm(
    table: EffectTable, columns: tuple[FloatArray, ...], options: PoolOptions
) -> tuple[Companion, ...]:
    if not options.beside:
        return ()
    return profile_likelihood(table, options.level), crude_total(table, columns, options.level)


def chosen_likelihood(table: EffectTable, named: str | None) -> str:
    """Return the likelihood named, if these studies have what it needs, else the one of their measure."""
    own = likelihood_of(table)
    if named is None or named == own:
        return own
    if named not in LIKELIHOODS:
        raise UnknownNameError(LIKELIHOODS.kind, named, LIKELIHOODS.names())
    if named not in serving(table):
        raise UsageError(
            f"the likelihood {named} does not serve these effects ({table.measure}); they take "
            f"{', '.join(serving(table))}"
        )
    return named


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


def fit_normal(
    table: EffectTable, prior: HalfNormalPrior, level: float, *, beside: bool = True
) -> HalfNormalResult:
    """Pool normal effects with known variances."""
    rows = pooled_rows(table)
    null = null_value(table)
    found, posteriors = half_normal_posterior(
        rows.effect,
        rows.variance,
        scales=(prior.scale, 2.0 * prior.scale) if beside else (prior.scale,),
        threshold=0.0 if null is None else null,
        level=level,
    )
    return HalfNormalResult(
        measure=table.measure,
        level=level,
        studies=study_rows(rows, found.share[0] / found.share[0].sum(), level),
        mean=MeanInterval(
            method="equal_tailed",
            standard_error=float(found.deviation[0]),
            interval=Limits(float(found.lower[0]), float(found.upper[0])),
            statistic=None,
            p_value=None,
        ),
        estimate=float(found.median[0]),
        heterogeneity=_heterogeneity(rows, found, level),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table),
        assumptions=table.assumptions,
        notes=tuple(note for note in (prior.caution, *table.notes, prior.sentence()) if note),
        references=("friede_2017", "rover_2021", "higgins_thompson_spiegelhalter_2009"),
        likelihood="normal",
        beside=(twice_the_spread(found, 1), *beside_normal(rows, level)) if beside else (),
        posterior=posteriors[0],
        prior_scale=prior.scale,
        prior=prior.sentence(),
        posterior_mean=float(found.mean[0]),
        prediction=Prediction(
            method="posterior",
            interval=Limits(float(found.new_lower[0]), float(found.new_upper[0])),
            df=math.inf,
        ),
        above=None if null is None else float(found.above[0]),
        new_above=None if null is None else float(found.new_above[0]),
    )


def as_companion(result: HalfNormalResult, name: str, label: str) -> Companion:
    """Return an answer as something that stands beside another."""
    return Companion(
        name=name,
        label=label,
        estimate=result.estimate,
        interval=result.interval,
        prediction_interval=result.prediction.interval,
        tau2=result.heterogeneity.tau2,
        references=result.references,
    )


def mean_of_centres(table: EffectTable, options: PoolOptions) -> Companion | None:
    """Return what one study says of the mean of all centres: wider than its own interval by the spread."""
    try:
        if (options.likelihood or likelihood_of(table)) == "stratified":
            options = replace(options, likelihood="normal")
        found = fit(table, replace(options, beside=False))
    except (UsageError, NotEstimableError):
        return None
    return as_companion(found, MEAN_OF_CENTRES, "the mean of centres, of which this is one")


def _with_totals(
    result: HalfNormalResult, table: EffectTable, prior: HalfNormalPrior, options: PoolOptions
) -> HalfNormalResult:
    """Put Mantel-Haenszel beside a risk difference, and answer by a limit where one arm has no event."""
    names = MEASURES[table.measure].columns
    if len(names) != 4 or not set(names) <= set(table.data):
        return result
    if table.measure not in ("risk_difference", "risk_ratio", "odds_ratio", "rate_ratio"):
        return result
    keep = informative(table)
    columns = tuple(np.asarray(table.data[name], dtype=float)[keep] for name in names)
    if table.measure == "risk_difference":
        if not options.beside:
            return result
        return replace(
            result, beside=(*result.beside, mantel_haenszel(table.measure, columns, options.level))
        )
    if not _one_arm_empty(columns):
        return result
    likelihood = "conditional_hypergeometric" if table.measure == "odds_ratio" else "conditional_binomial"
    conditional, _ = fit_counts(table, likelihood, prior, options.level)
    return _limit_where_one_arm_is_empty(result, conditional, result, columns)


def _near_rare(
    result: HalfNormalResult, table: EffectTable, prior: HalfNormalPrior, options: PoolOptions
) -> HalfNormalResult:
    """Put the conditional likelihood beside a risk ratio whose overall risk is near the boundary."""
    risk = overall_risk(table)
    if (
        not options.beside
        or table.measure != "risk_ratio"
        or risk is None
        or not NEAR_RARE[0] <= risk <= NEAR_RARE[1]
    ):
        return result
    keep = informative(table)
    columns = tuple(np.asarray(table.data[name])[keep] for name in MEASURES[table.measure].columns)
    found, _ = answer_counts("conditional_binomial", columns, prior.scale, options.level)
    label = LIKELIHOODS["conditional_binomial"].label
    references = LIKELIHOODS["conditional_binomial"].references
    item = companion_of(found, "conditional_likelihood", label, references)
    return replace(result, beside=(*result.beside, item))


def _one_arm_empty(columns: tuple[FloatArray, ...]) -> bool:
    return not (columns[0].any() and columns[2].any())


def _limit_where_one_arm_is_empty(
    result: HalfNormalResult,
    conditional: HalfNormalResult,
    normal: HalfNormalResult,
    columns: tuple[FloatArray, ...],
) -> HalfNormalResult:
    """Answer by a limit alone where all events are in one arm: that nearer no effect of both likelihoods."""
    if not _one_arm_empty(columns):
        return result
    none_in_first = not columns[0].any()
    both = (conditional, normal)
    if none_in_first:
        nearer = max(both, key=lambda one: one.interval.upper)
    else:
        nearer = min(both, key=lambda one: one.interval.lower)

    def beyond(limits: Limits) -> Limits:
        return Limits(-math.inf, limits.upper) if none_in_first else Limits(limits.lower, math.inf)

    side = "upper" if none_in_first else "lower"
    note = (
        f"All events are in arm {2 if none_in_first else 1}: there is no point estimate. The {side} limit is "
        "that nearer no effect of the conditional likelihood and of normal effects with empty arms "
        "corrected; the exact limit of one common ratio stands beside it."
    )
    names = {item.name for item in result.beside}
    both_ways = (
        as_companion(conditional, "conditional_likelihood", LIKELIHOODS[conditional.likelihood].label),
        as_companion(normal, "normal_likelihood", "normal effects, empty arms corrected"),
    )
    return replace(
        result,
        estimate=-math.inf if none_in_first else math.inf,
        mean=replace(nearer.mean, interval=beyond(nearer.interval)),
        heterogeneity=nearer.heterogeneity,
        prediction=replace(nearer.prediction, interval=beyond(nearer.prediction.interval)),
        posterior=nearer.posterior,
        posterior_mean=nearer.posterior_mean,
        above=nearer.above,
        new_above=nearer.new_above,
        limit_only=side,
        notes=(note, *result.notes),
        beside=(
            *(item for item in both_ways if item.name not in names),
            *result.beside,
            exact_limit(result.measure, columns, result.level),
        ),
    )


def _heterogeneity(rows: EffectTable, found: HalfNormalAnswers, level: float) -> Heterogeneity:
    """Say how much studies differ: tau from its posterior, Q from the effects."""
    tau, low, high = (float(part[0]) for part in (found.tau, found.tau_lower, found.tau_upper))
    limits = Limits(low**2, high**2)
    if len(rows) == 1:
        return Heterogeneity(tau2=tau**2, tau2_interval=limits, tau2_interval_method="equal_tailed")
    studies = prepare(rows.effect, rows.variance)
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
