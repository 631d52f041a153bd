"""Bayesian random-effects pooling by integration, with the priors shown and varied.

References
----------
Rover et al. (2021); Turner et al. (2015).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits
from metakit.core.results import Heterogeneity, MeanInterval, Prediction
from metakit.errors import UnknownNameError, UsageError
from metakit.measures.registry import MEASURES
from metakit.models.assembly import all_set_aside, back_transform, study_rows
from metakit.models.common_effect import pooled_rows, refuse
from metakit.models.posteriors.bayesian_priors import Priors, chosen_priors
from metakit.models.posteriors.bayesian_result import (
    BayesianResult,
    PriorVariation,
    Shrunken,
    TailProbability,
)
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.numerics.posteriors.bayes import Posterior, posterior
from metakit.numerics.posteriors.bayes_marginals import NormalMixtures, shortest_interval

INTERVALS = ("equal_tailed", "shortest")
"""Posterior intervals, the default first."""
FACTORS = (0.5, 2.0)
"""By how much the scale of tau is varied."""


def fit(table: EffectTable, options: PoolOptions) -> BayesianResult:
    """Pool effects with priors on their mean and on tau.

    Parameters
    ----------
    table : EffectTable
    options : PoolOptions
        `interval`: `equal_tailed` (default) or `shortest`. `extra` takes `tau_prior` (`half_normal` by
        default, or `half_cauchy`, `uniform`, `log_normal`), `tau_prior_scale`, `tau_prior_location` (mean of
        ln tau^2, log-normal only), `mean_prior_location` with `mean_prior_scale` (flat without), and
        `threshold`: one number or several, in natural units, for tail probabilities.

    Returns
    -------
    BayesianResult
        Also for one or two studies.

    Raises
    ------
    NotEstimableError
        When no study can be pooled.
    UsageError
        For an option that makes no sense, a measure without a default prior scale, or an improper posterior.

    References
    ----------
    Rover et al. (2021); Turner et al. (2015).
    """
    refuse(
        "bayesian",
        tau2=options.tau2,
        tau2_interval=options.tau2_interval,
        prediction=options.prediction,
    )
    chosen = options.interval or INTERVALS[0]
    if chosen not in INTERVALS:
        raise UnknownNameError("interval of the bayesian model", chosen, INTERVALS)
    priors = chosen_priors(table, options.extra)
    rows = pooled_rows(table)
    _check_proper(priors, len(rows))
    thresholds = _thresholds(table, options.extra.get("threshold"))
    found = _posterior(rows, priors)
    marginals, level = found.marginals, options.level
    tails = _intervals(marginals, level)
    median = float(marginals.quantile(np.full(len(rows) + 2, 0.5))[0])
    posterior_mean, deviation = _moments(found)
    shortest = Limits(*_shortest(marginals.row(0), level))
    made = {"equal_tailed": tails[0], "shortest": shortest}
    mean = _mean_interval(chosen, deviation, made[chosen])
    others = tuple(_mean_interval(name, deviation, made[name]) for name in INTERVALS if name != chosen)
    tau = found.tau
    low, high = (tau.quantile(p) for p in ((1 - level) / 2, (1 + level) / 2))
    variations = tuple(
        _variation(rows, priors.times(factor), factor, level)
        for factor in FACTORS
        if math.isfinite(priors.scale)
    )
    return BayesianResult(
        measure=table.measure,
        level=level,
        studies=study_rows(rows, found.study_weight, level),
        mean=mean,
        estimate=median,
        heterogeneity=Heterogeneity(
            tau2=tau.quantile(0.5) ** 2,
            tau2_interval=Limits(low**2, high**2),
            tau2_interval_method="equal_tailed",
        ),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table),
        assumptions=table.assumptions,
        notes=(*table.notes, *_words(priors, variations, posterior_mean, len(rows), table)),
        references=("rover_2021", *(key for key in priors.kind.references if key != "rover_2021")),
        posterior_mean=posterior_mean,
        prior=priors.sentence(),
        prediction=Prediction(method="posterior", interval=tails[1], df=math.inf),
        other_intervals=others,
        tau_shortest=Limits(*shortest_interval(tau.quantiles, tau.density, level)),
        tail_probabilities=_tail_probabilities(marginals, table, thresholds),
        shrinkage=_shrinkage(rows.study, marginals, tails),
        prior_variations=variations,
    )


def _posterior(rows: EffectTable, priors: Priors) -> Posterior:
    return posterior(
        rows.effect,
        rows.variance,
        priors.tau,
        mean_location=priors.mean_location,
        mean_precision=priors.mean_precision,
    )


def _check_proper(priors: Priors, k: int) -> None:
    fewest = 1 if priors.tau.proper else (3 if priors.mean_precision == 0 else 2)
    if k < fewest:
        raise UsageError(
            f"with a prior of tau that is uniform without an upper end, {k} "
            f"{'study gives' if k == 1 else 'studies give'} no proper posterior; state an upper end as "
            f"tau_prior_scale, or another prior (at least {fewest} studies are needed)"
        )


def _thresholds(table: EffectTable, asked: Any) -> tuple[float, ...]:
    """Return thresholds in natural units; "no difference" when none is asked for."""
    measure = MEASURES[table.measure]
    scale = measure.scale(table.scale)
    if asked is None:
        null = measure.null_value
        return () if null is None else (float(scale.to_natural(np.asarray(null, dtype=float))),)
    several = asked if isinstance(asked, Sequence) and not isinstance(asked, str) else [asked]
    values = []
    for item in several:
        try:
            value = float(item)
        except (TypeError, ValueError):
            value = math.nan
        with np.errstate(divide="ignore", invalid="ignore"):
            there = float(scale.from_natural(np.asarray(value)))
        if not math.isfinite(there):
            raise UsageError(
                f"threshold must lie inside the range of the measure ({measure.label}), not {item!r}"
            )
        values.append(value)
    return tuple(values)


def _intervals(marginals: NormalMixtures, level: float) -> list[Limits]:
    rows = len(marginals.mean)
    lower = marginals.quantile(np.full(rows, (1 - level) / 2))
    upper = marginals.quantile(np.full(rows, (1 + level) / 2))
    return [Limits(float(a), float(b)) for a, b in zip(lower, upper, strict=True)]


def _shortest(marginal: NormalMixtures, level: float) -> tuple[float, float]:
    def quantile(probability: FloatArray) -> FloatArray:
        return marginal.times(len(probability)).quantile(probability)

    def density(value: float) -> float:
        return float(marginal.density(np.array([value]))[0])

    return shortest_interval(quantile, density, level)


def _moments(found: Posterior) -> tuple[float | None, float]:
    mean, deviation = found.marginals.row(0).moments()
    exists = found.mean_moments
    return (float(mean[0]) if exists >= 1 else None), (float(deviation[0]) if exists >= 2 else math.inf)


def _mean_interval(method: str, deviation: float, limits: Limits) -> MeanInterval:
    return MeanInterval(
        method=method, standard_error=deviation, interval=limits, statistic=None, p_value=None
    )


def _tail_probabilities(
    marginals: NormalMixtures, table: EffectTable, thresholds: tuple[float, ...]
) -> tuple[TailProbability, ...]:
    scale = MEASURES[table.measure].scale(table.scale)
    answers = []
    for threshold in thresholds:
        there = float(scale.from_natural(np.asarray(threshold, dtype=float)))
        above: FloatArray = marginals.tail_above(np.full(len(marginals.mean), there))
        answers.append(
            TailProbability(threshold=threshold, mean_above=float(above[0]), new_centre_above=float(above[1]))
        )
    return tuple(answers)


def _shrinkage(names: Sequence[str], marginals: NormalMixtures, tails: list[Limits]) -> tuple[Shrunken, ...]:
    medians = marginals.quantile(np.full(len(names) + 2, 0.5))[2:]
    return tuple(
        Shrunken(study=name, median=float(median), interval=interval)
        for name, median, interval in zip(names, medians, tails[2:], strict=True)
    )


def _variation(rows: EffectTable, priors: Priors, factor: float, level: float) -> PriorVariation:
    found = _posterior(rows, priors)
    pair = NormalMixtures(
        weight=found.marginals.weight,
        mean=found.marginals.mean[:2],
        deviation=found.marginals.deviation[:2],
    )
    interval, ahead = _intervals(pair, level)
    return PriorVariation(
        prior=priors.words(),
        factor=factor,
        estimate=float(pair.quantile(np.full(2, 0.5))[0]),
        interval=interval,
        prediction_interval=ahead,
        tau=found.tau.quantile(0.5),
    )


def _words(
    priors: Priors,
    variations: tuple[PriorVariation, ...],
    posterior_mean: float | None,
    k: int,
    table: EffectTable,
) -> list[str]:
    notes = [priors.sentence()]
    back = back_transform(table)
    for item in variations:
        low, high = (back(limit) for limit in item.interval)
        notes.append(
            f"With tau {item.prior} instead: {back(item.estimate):.3g} ({low:.3g} to {high:.3g}), median "
            f"tau {item.tau:.3g}."
        )
    if not variations:
        notes.append("A prior without an end has no scale to vary; compare with half_normal.")
    if posterior_mean is None:
        notes.append(
            "Under this prior the posterior has no mean (its tails are too heavy); the median is shown."
        )
    if k == 1:
        notes.append("One study: what is said on other centres comes from the prior of tau alone.")
    elif k == 2:
        notes.append("Two studies say next to nothing on tau: its prior decides how wide the answer is.")
    return notes


MODELS.add(
    Model(
        name="bayesian",
        label="Bayesian random effects",
        fit=fit,
        references=("rover_2021", "turner_2015"),
    )
)
