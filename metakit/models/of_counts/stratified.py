"""Mantel-Haenszel and Peto: stratified by study on the counts as reported, no zero cell corrected."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from metakit.core.effects import BoolArray, EffectTable, FloatArray
from metakit.core.notes import SetAside
from metakit.core.results import Heterogeneity, PetoResult, PoolResult, StratifiedResult
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.registry import MEASURES
from metakit.models.assembly import (
    back_transform,
    heterogeneity_from_q,
    listed,
    null_value,
    study_rows,
    wald_interval,
)
from metakit.models.common_effect import refuse
from metakit.models.of_counts.uncorrected import uncorrected
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.numerics import stratified
from metakit.numerics.distributions import chi_squared_tail
from metakit.numerics.heterogeneity import CochranQ
from metakit.numerics.stratified import Stratified
from metakit.numerics.weights import scalar

_KERNELS: Mapping[str, Callable[..., Stratified]] = MappingProxyType(
    {
        "odds_ratio": stratified.mantel_haenszel_odds_ratio,
        "risk_ratio": stratified.mantel_haenszel_risk_ratio,
        "risk_difference": stratified.mantel_haenszel_risk_difference,
        "rate_ratio": stratified.mantel_haenszel_rate_ratio,
    }
)
_SOURCES = {
    "odds_ratio": ("mantel_haenszel_1959", "robins_breslow_greenland_1986"),
    "risk_ratio": ("mantel_haenszel_1959", "greenland_robins_1985"),
    "risk_difference": ("mantel_haenszel_1959", "greenland_robins_1985"),
    "rate_ratio": ("greenland_robins_1985",),
}
Columns = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
"""Events and size of arm 1, then of arm 2."""

RARE = 0.01
"""Share of events below which Peto's method is trusted (Cochrane Handbook 10.4.4.1: about 1 %)."""

BALANCED = 1.5
"""Ratio of arm sizes up to which arms count as balanced: common practice, no source."""

SMALL_EFFECT = np.log(2.0)
"""Log odds ratio up to which an effect counts as small or moderate: common practice, no source."""


def mantel_haenszel(table: EffectTable, options: PoolOptions) -> PoolResult:
    """Pool two-arm counts or rates by Mantel and Haenszel, without correction of zero cells.

    Parameters
    ----------
    table : EffectTable
        With its raw columns; any correction made for them is taken back.
    options : PoolOptions
        `level` only; the interval is Wald's.

    Returns
    -------
    StratifiedResult
        Weights are Mantel-Haenszel's. Q sums the squared distances of the studies' own effects from the
        pooled one, over those that have an effect without a correction.

    Raises
    ------
    NotEstimableError
        When all events are in one arm, or there are none.

    References
    ----------
    Mantel & Haenszel (1959); Robins, Breslow & Greenland (1986); Greenland & Robins (1985).
    """
    _only_wald("mantel_haenszel", options)
    raw, columns = _raw(table)
    found = _KERNELS[table.measure](*columns)
    _check(table, columns, found, raw)
    kept = _keep(raw, found.informative, table.measure)
    estimate, error = float(found.estimate), float(found.standard_error)
    q = _q_about(kept, estimate)
    return StratifiedResult(
        measure=table.measure,
        level=options.level,
        studies=study_rows(kept, found.weight[found.informative], options.level),
        mean=wald_interval(estimate, error, options.level, null_value(table)),
        estimate=estimate,
        heterogeneity=heterogeneity_from_q(q, options.level) if q.df > 0 else Heterogeneity(),
        back_transform=back_transform(table),
        set_aside=kept.set_aside,
        assumptions=kept.assumptions,
        notes=(*kept.notes, *_words(kept, q), *_unweighted(kept, found.weight[found.informative])),
        references=_SOURCES[table.measure],
    )


def peto(table: EffectTable, options: PoolOptions) -> PoolResult:
    """Pool two-arm counts by Peto's one-step odds ratio; the notes check its three conditions.

    Parameters
    ----------
    table : EffectTable
        Of odds ratios or Peto odds ratios, with the raw columns.
    options : PoolOptions
        `level` only; the interval is Wald's.

    Returns
    -------
    PetoResult
        Each study's effect is Peto's, (O - E) / V, with weight V.

    Raises
    ------
    NotEstimableError
        When no study has both an event and a thumb without one.

    References
    ----------
    Yusuf et al. (1985); Brockhaus, Grouven & Bender (2016).
    """
    _only_wald("peto", options)
    raw, columns = _raw(table)
    found = stratified.peto_odds_ratio(*columns)
    if not found.estimable:
        _refuse_empty(table, columns, raw)
    parts = stratified.peto_parts(*columns)
    with np.errstate(divide="ignore", invalid="ignore"):
        raw = replace(
            raw,
            effect=np.where(found.informative, parts.difference / parts.variance, np.nan),
            variance=np.where(found.informative, 1 / parts.variance, np.nan),
            estimable=np.asarray(found.informative),
        )
    kept = _keep(raw, found.informative, table.measure)
    estimate = float(found.estimate)
    q = _q_about(kept, estimate)
    return PetoResult(
        measure=table.measure,
        level=options.level,
        studies=study_rows(kept, found.weight[found.informative], options.level),
        mean=wald_interval(estimate, float(found.standard_error), options.level, null_value(table)),
        estimate=estimate,
        heterogeneity=heterogeneity_from_q(q, options.level) if q.df > 0 else Heterogeneity(),
        back_transform=back_transform(table),
        set_aside=kept.set_aside,
        assumptions=kept.assumptions,
        notes=(
            *kept.notes,
            "Common effect by Peto's method: one and the same odds ratio in every study is assumed. Q sums V "
            "times the squared distances of the studies' Peto effects from the pooled one.",
            *_peto_checks(columns, estimate),
        ),
        references=("yusuf_1985", "brockhaus_2016"),
    )


def _only_wald(model: str, options: PoolOptions) -> None:
    refuse(
        model,
        tau2=options.tau2,
        tau2_interval=options.tau2_interval,
        prediction=options.prediction,
        **options.extra,
    )
    if options.interval not in (None, "wald"):
        raise UsageError(f"the {model} model has the interval wald only, not {options.interval!r}")


def _raw(table: EffectTable) -> tuple[EffectTable, Columns]:
    """Return the table without corrections, and its raw columns."""
    names = MEASURES[table.measure].columns
    missing = [name for name in names if name not in table.data]
    if missing:
        raise UsageError(f"this model works on the counts, and the table has no column {', '.join(missing)}")
    raw = uncorrected(table)
    events_1, size_1, events_2, size_2 = (raw.data[name] for name in names)
    return raw, (events_1, size_1, events_2, size_2)


def _keep(raw: EffectTable, informative: BoolArray, measure: str) -> EffectTable:
    """Return the studies that contribute; the others are named with the reason."""
    reason = "no events in either arm"
    if measure in ("odds_ratio", "peto_odds_ratio"):
        reason += ", or events in everyone"
    aside = tuple(
        SetAside(study=raw.study[row], reason=f"{reason}: no information on a ratio")
        for row in np.flatnonzero(~informative)
    )
    return replace(raw.select(informative), set_aside=(*raw.set_aside, *aside))


def _q_about(table: EffectTable, centre: float) -> CochranQ:
    """Return the weighted squared distances of the studies' own effects from the pooled one."""
    distance = table.effect[table.estimable] - centre
    q = scalar(float(np.sum(distance * distance / table.variance[table.estimable])))
    df = scalar(max(int(np.count_nonzero(table.estimable)) - 1, 0))
    return CochranQ(q, df, chi_squared_tail(q, df))


def _words(kept: EffectTable, q: CochranQ) -> list[str]:
    k = len(kept)
    among = "all" if q.df == k - 1 else f"{q.df + 1:g} of {k}"
    notes = [
        "Common effect by Mantel and Haenszel's weights: one and the same effect in every study is assumed."
    ]
    if q.df > 0:
        notes.append(
            f"Q is Cochran's, about the Mantel-Haenszel mean, over {among} studies"
            + (
                "."
                if q.df == k - 1
                else ": those with an effect of their own without a zero-cell correction."
            )
        )
    else:
        notes.append(
            "No Q: fewer than two studies have an effect of their own without a zero-cell correction."
        )
    return notes


def _unweighted(kept: EffectTable, weights: FloatArray) -> list[str]:
    none = [name for name, weight in zip(kept.study, weights, strict=True) if weight == 0]
    if not none:
        return []
    return [
        f"A weight of 0 is shown for {', '.join(none)}: without an event in arm 2 a study adds to the "
        "numerator of a Mantel-Haenszel ratio only. It is in the answer."
    ]


def _check(table: EffectTable, columns: Columns, found: Stratified, raw: EffectTable) -> None:
    """Refuse, in words, what has no finite estimate or no standard error."""
    totals = _totals(table, columns)
    if table.measure == "risk_difference":
        if not float(found.standard_error) > 0:
            raise NotEstimableError(
                f"the arms show no variation at all ({totals}): the risk difference is "
                f"{float(found.estimate):g}, and this method has no standard error for it; show each arm's "
                "exact interval (measure 'proportion')"
            )
        return
    if found.estimable:
        return
    if not found.informative.any():
        _refuse_empty(table, columns, raw)
    instead = (
        "show each arm's rate with its exact interval (measure 'rate')"
        if table.measure == "rate_ratio"
        else "ask for the risk difference (measure 'risk_difference')"
    )
    value = "0" if found.for_arm_1 == 0 else "infinite"
    without = 1 if found.for_arm_1 == 0 else 2
    what = (
        f"arm {without} has no event in any study"
        if float(columns[2 * (without - 1)].sum()) == 0
        else f"arm {3 - without} has events in everyone wherever arm {without} has any"
    )
    raise NotEstimableError(
        f"{what} ({totals}): the ratio is estimated as {value}, without a limit on that side; {instead}"
    )


def _refuse_empty(table: EffectTable, columns: Columns, raw: EffectTable) -> None:
    nothing = float(columns[0].sum() + columns[2].sum()) == 0
    what = "no study has any event" if nothing else "in no study can the two arms be told apart"
    aside = f" ({listed(raw.set_aside)})" if raw.set_aside else ""
    instead = (
        "measure 'rate'" if table.measure == "rate_ratio" else "measure 'risk_difference' or 'proportion'"
    )
    raise NotEstimableError(
        f"{what}, so the data say nothing on a ratio ({_totals(table, columns)}; studies: "
        f"{', '.join(table.study)}){aside}; ask for {instead}"
    )


def _totals(table: EffectTable, columns: Columns) -> str:
    events_1, size_1, events_2, size_2 = (float(column.sum()) for column in columns)
    per = "over" if table.measure == "rate_ratio" else "of"
    return f"in all {events_1:g} {per} {size_1:g} against {events_2:g} {per} {size_2:g}"


def _ratio_here(estimate: float) -> str:
    with np.errstate(over="ignore"):
        ratio = np.exp(estimate)
    return f"odds ratio here {ratio:.3g}" if np.isfinite(ratio) else f"log odds ratio here {estimate:.3g}"


def _peto_checks(columns: Columns, estimate: float) -> list[str]:
    """Return the conditions under which Peto's method is trusted, each with what the data show."""
    events_1, total_1, events_2, total_2 = columns
    share = float((events_1.sum() + events_2.sum()) / (total_1.sum() + total_2.sum()))
    uneven = float(np.max(np.maximum(total_1 / total_2, total_2 / total_1)))
    checks = (
        (share < RARE, f"events are rare, below {100 * RARE:g} % (here {100 * share:.2g} %)"),
        (uneven <= BALANCED, f"arms are of similar size (largest ratio here {uneven:.2g})"),
        (abs(estimate) <= SMALL_EFFECT, f"the effect is small or moderate ({_ratio_here(estimate)})"),
    )
    notes = [f"Condition of Peto's method {'met' if met else 'not met'}: {text}." for met, text in checks]
    if not all(met for met, _ in checks):
        notes.append(
            "Caution: outside its conditions Peto's odds ratio is biased; compare with mantel_haenszel."
        )
    return notes


MODELS.add(
    Model(
        name="mantel_haenszel",
        label="Mantel-Haenszel",
        fit=mantel_haenszel,
        families=("two_arm_counts", "two_arm_rates"),
        measures=tuple(_KERNELS),
        references=("mantel_haenszel_1959", "robins_breslow_greenland_1986", "greenland_robins_1985"),
    )
)
MODELS.add(
    Model(
        name="peto",
        label="Peto",
        fit=peto,
        families=("two_arm_counts",),
        measures=("odds_ratio", "peto_odds_ratio"),
        references=("yusuf_1985", "brockhaus_2016"),
    )
)
