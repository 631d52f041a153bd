"""The rule by which a table of two or more studies is answered when no model is named.

Nothing in it depends on a single cell, on how much the studies differ, or on how many there are: only the
measure and the likelihood of the whole comparison decide.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult, StratifiedResult
from metakit.errors import NotEstimableError
from metakit.measures.registry import MEASURES
from metakit.models.assembly import back_transform, null_value, study_rows, wald_interval
from metakit.models.common_effect import pooled_rows
from metakit.models.companions import FEWEST_FOR_HARTUNG_KNAPP, common_effect
from metakit.models.companions_of_counts import sandwich
from metakit.models.inference import likelihood_of, overall_risk
from metakit.models.of_counts.uncorrected import uncorrected, with_default_correction
from metakit.models.posteriors.half_normal import as_companion, chosen_likelihood
from metakit.models.posteriors.half_normal import fit as fit_half_normal
from metakit.models.posteriors.half_normal_priors import OPTION, half_normal_prior
from metakit.models.registry import MODELS, PoolOptions
from metakit.numerics.weights import prepare


def answer_by(rule: str, table: EffectTable, options: PoolOptions) -> PoolResult:
    """Answer by an inference.

    Raises
    ------
    NotEstimableError
        For two studies by `hartung_knapp`, and where no study can be pooled.
    """
    if table.measure == "peto_odds_ratio":  # the measure names its own method
        return MODELS["peto"].fit(table, PoolOptions(level=options.level))
    if table.measure == "risk_difference" and _rare(table, options):
        return _rare_difference(table, options, rule)
    if rule == "half_normal" and half_normal_prior(table, options.extra.get(OPTION)) is None:
        result = _hartung_knapp(table, options)
        note = (
            "These effects come without the sizes and standard deviations from which a prior scale of tau "
            f"would follow: the inference hartung_knapp was used. State {OPTION} for the other."
        )
        return replace(result, notes=(note, *result.notes))
    if rule == "half_normal":
        return replace(fit_half_normal(table, options), inference=rule)
    return _hartung_knapp(table, options)


def _hartung_knapp(table: EffectTable, options: PoolOptions) -> PoolResult:
    """Answer by REML with the floored Hartung-Knapp interval and prediction, half-normal beside."""
    likelihood = chosen_likelihood(table, options.likelihood)
    one_arm = likelihood in ("binomial", "poisson")
    shown = table if one_arm else with_default_correction(table)
    k = len(table) if one_arm else len(pooled_rows(shown))
    if k < FEWEST_FOR_HARTUNG_KNAPP:
        raise NotEstimableError(
            "two studies have no headline by the inference hartung_knapp: look at the two studies, ask for "
            "the inference half_normal, or name a model"
        )
    if one_arm:
        result = MODELS["one_stage"].fit(shown, PoolOptions(level=options.level))
    else:
        result = MODELS["random_effects"].fit(
            shown,
            PoolOptions(
                level=options.level,
                tau2="reml",
                interval="hartung_knapp_floor",
                prediction="hartung_knapp_floor",
            ),
        )
    beside = []
    if options.beside and half_normal_prior(table, options.extra.get(OPTION)) is not None:
        other = fit_half_normal(table, replace(options, beside=False))
        label = "random effects, spread integrated over a half-normal prior"
        beside.append(as_companion(other, "half_normal", label))
    if options.beside and not one_arm:
        rows = pooled_rows(shown)
        beside.append(common_effect(prepare(rows.effect, rows.variance), options.level))
    return replace(
        result,
        inference="hartung_knapp",
        likelihood="normal" if not one_arm else likelihood,
        beside=tuple(beside),
    )


def _rare(table: EffectTable, options: PoolOptions) -> bool:
    return (options.likelihood or likelihood_of(table)) == "stratified"


def _rare_difference(table: EffectTable, options: PoolOptions, rule: str) -> PoolResult:
    """Answer a difference of rare risks: Mantel-Haenszel with its sandwich, studies without events in."""
    measure = MEASURES[table.measure]
    raw = uncorrected(table)
    columns = tuple(np.asarray(raw.data[name], dtype=float) for name in measure.columns)
    found = sandwich(table.measure, columns)
    if found is None:
        raise NotEstimableError("no study has anybody in both arms")
    risk = overall_risk(table) or 0.0
    size = columns[1] * columns[3] / (columns[1] + columns[3])
    mean = wald_interval(*found, options.level, null_value(table))
    return StratifiedResult(
        measure=table.measure,
        level=options.level,
        studies=study_rows(raw, size / size.sum(), options.level),
        mean=replace(mean, method="sandwich"),
        estimate=found[0],
        heterogeneity=MODELS["mantel_haenszel"].fit(table, PoolOptions(level=options.level)).heterogeneity,
        back_transform=back_transform(raw),
        set_aside=raw.set_aside,
        assumptions=raw.assumptions,
        notes=(
            f"Caution: the event is rare ({100 * risk:.2g} % of all), and a difference of rare risks depends "
            "on how high they are in each study. It is better carried over from the ratio at a stated "
            "baseline; this is the average of the studies by Mantel and Haenszel, with a sandwich variance, "
            "studies without any event included.",
            *raw.notes,
        ),
        references=("mantel_haenszel_1959", "greenland_robins_1985", "noma_nagashima_2016"),
        inference=rule,
        likelihood="stratified",
    )
