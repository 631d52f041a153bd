"""Inverse-variance mean of effects that differ between studies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.limits import Limits, TestStatistic
from metakit.core.results import Heterogeneity, MeanInterval, PoolResult, Prediction, RandomEffectsResult
from metakit.errors import ConvergenceError, UsageError
from metakit.models.assembly import all_set_aside, back_transform, mean_interval, null_value, study_rows
from metakit.models.common_effect import pooled_rows
from metakit.models.estimators import (
    MEAN_INTERVALS,
    PREDICTION_INTERVALS,
    TAU2_ESTIMATORS,
    TAU2_INTERVALS,
    MeanIntervalMethod,
    PredictionMethod,
    Tau2Estimator,
    Tau2IntervalMethod,
)
from metakit.models.random_effects_words import RandomEffectsFacts, words
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.models.single_study import single_study
from metakit.numerics.heterogeneity import cochran_q, ratios_from_q, ratios_from_tau2, typical_variance
from metakit.numerics.tau2_intervals import Tau2Intervals
from metakit.numerics.weights import Studies, Weighted, prepare, study_shares, weigh

DEFAULT_TAU2 = "reml"
DEFAULT_INTERVAL = "hartung_knapp_floor"
DEFAULT_TAU2_INTERVAL = "q_profile"
BESIDE = ("hartung_knapp_floor", "hartung_knapp", "wald")
"""Intervals shown beside the headline."""


def fit(table: EffectTable, options: PoolOptions) -> PoolResult:
    """Pool by inverse variance with a between-study variance.

    Parameters
    ----------
    table : EffectTable
    options : PoolOptions
        `tau2` (default `reml`), `interval` (default `hartung_knapp_floor`), `tau2_interval` (default
        `q_profile`), `prediction` (default: the one that belongs to the interval); `extra` takes what the
        prediction method has (`draws` and `seed` of the bootstrap).

    Returns
    -------
    RandomEffectsResult
        SingleStudyResult when only one study can be pooled.

    Raises
    ------
    NotEstimableError
        When no study can be pooled.
    ConvergenceError
        When the estimate of tau2 or the headline interval did not settle.

    References
    ----------
    Viechtbauer (2005); Rover, Knapp & Friede (2015); Higgins, Thompson & Spiegelhalter (2009).
    """
    method = MEAN_INTERVALS[options.interval or DEFAULT_INTERVAL]
    estimator = TAU2_ESTIMATORS[options.tau2 or method.own_tau2 or DEFAULT_TAU2]
    spread_method = TAU2_INTERVALS[options.tau2_interval or DEFAULT_TAU2_INTERVAL]
    ahead_method = PREDICTION_INTERVALS[options.prediction or method.prediction]
    _check_extra(ahead_method, options.extra)
    rows = pooled_rows(table)
    if len(rows) == 1:
        return single_study(table, int(np.flatnonzero(table.estimable)[0]), options)

    studies = prepare(rows.effect, rows.variance)
    between = estimator.kernel(studies)
    if not between.converged:
        raise ConvergenceError(
            f"the estimate of tau2 by {estimator.name} did not settle; try paule_mandel or dersimonian_laird"
        )
    tau2 = float(between.tau2)
    weights = weigh(studies, studies.fold(tau2))
    null = null_value(table)
    headline, estimate, raw_factor = _interval(method, studies, weights, options.level, null)
    beside = tuple(
        _interval(MEAN_INTERVALS[name], studies, weights, options.level, null)[0]
        for name in BESIDE
        if name != method.name
    )
    spread = spread_method.kernel(studies, options.level)
    ahead = _prediction(ahead_method, studies, weights, options) if len(rows) > 2 else None
    facts = RandomEffectsFacts(
        k=len(rows),
        tau2=tau2,
        truncated=bool(between.truncated),
        maxima=int(between.maxima),
        estimator=estimator,
        method=method,
        raw_factor=raw_factor,
        standard_error=headline.standard_error,
        tau2_interval_empty=bool(spread.empty),
        tau2_interval_settled=bool(spread.converged),
        prediction=ahead,
        prediction_options={
            name: options.extra[name] for name in ahead_method.options if name in options.extra
        },
        level=options.level,
    )
    return RandomEffectsResult(
        measure=table.measure,
        level=options.level,
        studies=study_rows(rows, study_shares(studies, _weights_of(method, studies, weights)), options.level),
        mean=headline,
        estimate=estimate,
        heterogeneity=_heterogeneity(studies, tau2, spread, spread_method, options.level),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table),
        assumptions=table.assumptions,
        notes=(*table.notes, *words(facts)),
        references=_references(estimator, method, spread_method, ahead_method if ahead else None),
        tau2_estimator=estimator.name,
        truncated=bool(between.truncated),
        prediction=ahead,
        other_intervals=beside,
        likelihood_maxima=int(between.maxima),
    )


def _check_extra(method: PredictionMethod, extra: Mapping[str, Any]) -> None:
    unknown = sorted(set(extra) - set(method.options))
    if unknown:
        own = f"; prediction {method.name!r} has {', '.join(method.options)}" if method.options else ""
        raise UsageError(f"the random_effects model has no option {', '.join(unknown)}{own}")
    for name, value in extra.items():
        smallest = 1000 if name == "draws" else 0
        if not isinstance(value, int) or isinstance(value, bool) or value < smallest:
            raise UsageError(f"{name} must be a whole number of at least {smallest}, not {value!r}")


def _interval(
    method: MeanIntervalMethod, studies: Studies, weights: Weighted, level: float, null: float | None
) -> tuple[MeanInterval, float, float]:
    """Return the interval, the mean it belongs to, and its variance factor before any floor."""
    found = method.kernel(studies, weights, level)
    if not found.converged:
        raise ConvergenceError(f"the interval {method.name} did not settle; try hartung_knapp_floor")
    estimate = float(found.estimate)
    interval = mean_interval(
        method.name,
        estimate=estimate,
        standard_error=float(found.standard_error),
        interval=Limits(float(found.lower), float(found.upper)),
        null=None if method.own_tau2 else null,  # their limits do not come from a statistic and a quantile
        df=float(found.df),
        factor=float(found.factor),
    )
    return interval, estimate, float(found.raw_factor)


def _weights_of(method: MeanIntervalMethod, studies: Studies, weights: Weighted) -> Weighted:
    """Return the weights that the headline mean was formed with."""
    if method.common_weights:
        return weigh(studies, 0.0)
    if method.own_tau2:
        return weigh(studies, studies.fold(TAU2_ESTIMATORS[method.own_tau2].kernel(studies).tau2))
    return weights


def _heterogeneity(
    studies: Studies, tau2: float, spread: Tau2Intervals, method: Tau2IntervalMethod, level: float
) -> Heterogeneity:
    q = cochran_q(studies)
    typical = typical_variance(studies)
    ratios, by_q = ratios_from_tau2(typical, tau2), ratios_from_q(q.value, q.df, level)
    limits = Limits(float(spread.lower), float(spread.upper)) if spread.converged else None
    shares = ratios_from_tau2(typical, np.array(limits)).i2 if limits else None
    return Heterogeneity(
        q=TestStatistic(float(q.value), float(q.df), float(q.p_value)),
        tau2=tau2,
        tau2_interval=limits,
        tau2_interval_method=method.name if limits else "",
        i2=float(ratios.i2),
        i2_interval=Limits(*(float(share) for share in shares)) if shares is not None else None,
        h2=float(ratios.h2),
        i2_from_q=float(by_q.i2),
        i2_from_q_interval=Limits(float(by_q.i2_lower), float(by_q.i2_upper)) if q.df > 1 else None,
    )


def _prediction(
    method: PredictionMethod, studies: Studies, weights: Weighted, options: PoolOptions
) -> Prediction:
    found = method.kernel(studies, weights, options.level, **options.extra)
    interval = Limits(float(found.lower), float(found.upper))
    return Prediction(method=method.name, interval=interval, df=float(found.df))


def _references(
    estimator: Tau2Estimator,
    method: MeanIntervalMethod,
    spread: Tau2IntervalMethod,
    ahead: PredictionMethod | None,
) -> tuple[str, ...]:
    keys = (
        *estimator.references,
        *method.references,
        *spread.references,
        *(ahead.references if ahead else ()),
        "higgins_thompson_2002",
    )
    return tuple(dict.fromkeys(keys))


MODELS.add(
    Model(
        name="random_effects",
        label="Random effects, inverse variance",
        fit=fit,
        references=("dersimonian_laird_1986", "viechtbauer_2005", "veroniki_2016"),
    )
)
