"""One-stage models of raw counts: no zero cell needs a correction, no study without events drops out.

References
----------
Stijnen, Hamza & Ozdemir (2010); Jackson et al. (2018); Kuss (2015); Lin & Chu (2020); Spittal et al. (2015).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits
from metakit.core.results import Heterogeneity, PoolResult
from metakit.errors import ConvergenceError, UsageError
from metakit.measures.registry import MEASURES
from metakit.models.of_counts.one_stage_checks import Verdict, check_estimable, nothing_or_everything
from metakit.models.of_counts.one_stage_contrast import fit_contrast
from metakit.models.of_counts.one_stage_data import CountData, chosen_variant, usable_counts
from metakit.models.of_counts.one_stage_exact import exact_result
from metakit.models.of_counts.one_stage_intervals import Likelihood, mean_intervals
from metakit.models.of_counts.one_stage_results import OneStageResult
from metakit.models.of_counts.one_stage_summary import average_of, prediction_of, ratio_test, shared_fields
from metakit.models.of_counts.one_stage_variants import OneStageVariant
from metakit.models.of_counts.uncorrected import uncorrected
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.numerics.distributions import chi_squared_quantile
from metakit.numerics.of_counts.one_stage import Maximum
from metakit.numerics.of_counts.one_stage_fit import LatentFit, fit_latent
from metakit.numerics.of_counts.one_stage_models import Prepared
from metakit.numerics.of_counts.one_stage_profile import profile_limits, signed_root

_SCALES = {"proportion": "logit", "rate": "log"}


def fit(effects: EffectTable, options: PoolOptions) -> PoolResult:
    """Pool raw counts by a one-stage model, by maximum likelihood.

    Parameters
    ----------
    effects : EffectTable
        With raw columns; studies that are not estimable by inverse variance are used where the variant
        can, and named where it cannot.
    options : PoolOptions
        `interval` is one of `profile_likelihood_graded` (default), `profile_likelihood`,
        `profile_likelihood_small_sample` (default of the beta-binomial), `wald`, `t`;
        `extra["variant"]` names a variant (see ONE_STAGE_VARIANTS), else the measure's first.

    Returns
    -------
    OneStageResult, BetaBinomialResult or ExactResult

    Raises
    ------
    NotEstimableError
        When the likelihood has no maximum (separation, arms without events): the sentence says which.
    ConvergenceError
        When the iteration did not settle.
    UsageError
        For an option or a scale that the model does not have.

    References
    ----------
    Stijnen et al. (2010); Jackson et al. (2018); Kuss (2015).
    """
    _check_options(effects, options)
    variant, notes = chosen_variant(effects, options.extra)
    usable = usable_counts(uncorrected(effects), variant)
    data = CountData(effects=usable.effects, columns=usable.columns, notes=notes)
    if not MEASURES[effects.measure].comparative and (
        len(data.effects) == 1 or nothing_or_everything(data.columns, effects.measure)
    ):
        return exact_result(data, options)
    verdict = check_estimable(variant, data.columns, effects.measure, options.level)
    if variant.prepare is None:
        return fit_contrast(data, variant, verdict, options)
    prepared = variant.prepare(*(column[None, :] for column in data.columns))
    return _fit_latent(data, variant, prepared, verdict, options)


def _check_options(effects: EffectTable, options: PoolOptions) -> None:
    expected = _SCALES.get(effects.measure)
    if expected and effects.scale != expected:
        raise UsageError(
            f"the one-stage model of a {effects.measure} works on the {expected} scale, and these effects "
            f"are on the {effects.scale} scale; compute them with scale={expected!r}"
        )
    for name, value, allowed in (
        ("tau2", options.tau2, "maximum_likelihood"),
        ("tau2_interval", options.tau2_interval, "profile_likelihood"),
        ("prediction", options.prediction, "higgins_thompson_spiegelhalter"),
    ):
        if value not in (None, allowed):
            raise UsageError(f"the one-stage model has {name}={allowed!r} only, not {value!r}")


def _fit_latent(
    data: CountData, variant: OneStageVariant, prepared: Prepared, verdict: Verdict, options: PoolOptions
) -> OneStageResult:
    model, level, k = prepared.model, options.level, len(data.effects)
    found = fit_latent(model, prepared.beta, prepared.intercepts, heterogeneous=verdict.heterogeneous)
    if not bool(found.maximum.converged[0]):
        raise ConvergenceError(
            f"the likelihood of the variant {variant.name} did not settle at a maximum with {k} studies; "
            "try another variant, or a common effect (mantel_haenszel), or show the counts"
        )
    terms = model.coefficients
    estimate, tau = float(found.maximum.parameters[0, 0]), float(found.maximum.parameters[0, terms])
    covariance = _covariance(found, found.maximum, terms)
    alike = _covariance(found, found.common, terms) if verdict.heterogeneous else None

    def profile(cutoffs: Sequence[float]) -> list[Limits]:
        lower, upper = profile_limits(model, found, parameter=0, cutoff=np.array(cutoffs)[:, None])
        return [Limits(*map(float, limits)) for limits in zip(lower[:, 0], upper[:, 0], strict=True)]

    null = MEASURES[data.effects.measure].null_value
    facts = Likelihood(
        units=k,
        df=k - 1,
        estimate=estimate,
        standard_error=float(np.sqrt(covariance[0, 0])),
        profile=profile,
        root=None if null is None else float(signed_root(model, found, parameter=0, value=null)[0]),
        null_value=null,
        tau2=tau**2,
        sampling_variance=None if alike is None else k * float(alike[0, 0]),
    )
    default = "profile_likelihood" if alike is None else "profile_likelihood_graded"
    mean, others, notes = mean_intervals(
        facts, level, options.interval, default=default, beside=options.intervals
    )
    words = [*data.effects.notes, *data.notes, *([verdict.note] if verdict.note else []), *notes]
    prediction = None
    heterogeneity, test = Heterogeneity(), None
    if verdict.heterogeneous:
        lower = upper = np.nan
        if options.intervals:
            cutoff = chi_squared_quantile(level, np.ones(1))
            limits = profile_limits(model, found, parameter=terms, cutoff=cutoff)
            lower, upper = (float(limit[0]) ** 2 for limit in limits)
        known = not (np.isnan(lower) or np.isnan(upper))
        heterogeneity = Heterogeneity(
            tau2=tau**2,
            tau2_interval=Limits(lower, upper) if known else None,
            tau2_interval_method="profile_likelihood" if known else "",
        )
        test = ratio_test(float(found.maximum.value[0]), float(found.common.value[0]))
        prediction, sentence = prediction_of(estimate, mean, tau**2, k, level)
        words += [sentence] if sentence else []
    average = None
    if null is None and verdict.heterogeneous:
        average, sentence = average_of(data.effects, estimate, tau, covariance, level)
        words.append(sentence)
    words += _numerical_words(found)
    return OneStageResult(
        **shared_fields(data.effects, level),
        mean=mean,
        estimate=estimate,
        heterogeneity=heterogeneity,
        notes=tuple(words),
        references=variant.references,
        variant=variant.name,
        log_likelihood=float(found.maximum.value[0]),
        heterogeneity_test=test,
        boundary=verdict.heterogeneous and tau == 0,
        nodes=int(found.nodes[0]),
        prediction=prediction,
        average=average,
        other_intervals=others,
    )


def _covariance(found: LatentFit, at: Maximum, terms: int) -> FloatArray:
    """Covariance of the effect and tau; a spread at zero has none, and no say in that of the effect."""
    estimated = found.free & (np.arange(len(found.free)) < terms)
    estimated |= found.free & (at.parameters[0] > 0) & (np.arange(len(found.free)) >= terms)
    which = np.flatnonzero(estimated)
    inverse = np.linalg.inv(-at.hessian[0][np.ix_(which, which)])
    full = np.zeros((len(found.free), len(found.free)))
    full[np.ix_(which, which)] = inverse
    return full[np.ix_([0, terms], [0, terms])]


def _numerical_words(found: LatentFit) -> list[str]:
    words = []
    if bool(found.other_maximum[0]):
        words.append("The likelihood has more than one maximum; the highest that was found is shown.")
    if not bool(found.settled[0]):
        words.append(
            f"With {int(found.nodes[0])} quadrature nodes the log-likelihood still changes by more than "
            "1e-10; read the last digits with care."
        )
    return words


MODELS.add(
    Model(
        name="one_stage",
        label="One-stage model of raw counts",
        fit=fit,
        families=("one_arm_counts", "two_arm_counts", "one_arm_rates", "two_arm_rates"),
        measures=("proportion", "rate", "odds_ratio", "risk_ratio", "risk_difference", "rate_ratio"),
        references=("stijnen_2010", "jackson_2018", "kuss_2015", "lin_chu_2020", "spittal_2015"),
    )
)
