"""Inverse-variance mean under one common effect."""

from __future__ import annotations

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.limits import Limits
from metakit.core.results import CommonEffectResult, PoolResult
from metakit.errors import NotEstimableError, UsageError
from metakit.models.assembly import (
    all_set_aside,
    back_transform,
    heterogeneity_from_q,
    listed,
    mean_interval,
    null_value,
    study_rows,
)
from metakit.models.estimators import MEAN_INTERVALS
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.models.single_study import single_study
from metakit.numerics.heterogeneity import cochran_q
from metakit.numerics.weights import prepare, study_shares, weigh


def pooled_rows(table: EffectTable) -> EffectTable:
    """Return the studies that inverse variance can pool.

    Raises
    ------
    NotEstimableError
        When there is none; the message names every study and its reason.
    """
    if not table.estimable.any():
        aside = all_set_aside(table)
        why = f" ({listed(aside)})" if aside else ": the table is empty"
        raise NotEstimableError(f"no study has an effect that could be pooled{why}")
    return table.select(table.estimable)


def refuse(model: str, **options: object) -> None:
    """Refuse options that a model does not have."""
    given = [name for name, value in options.items() if value is not None]
    if given:
        raise UsageError(f"the {model} model has no option {', '.join(sorted(given))}")


def fit(table: EffectTable, options: PoolOptions) -> PoolResult:
    """Pool by inverse variance, assuming that all studies estimate one and the same effect.

    Parameters
    ----------
    table : EffectTable
    options : PoolOptions
        `interval`: `wald` (default), or `t`, `hartung_knapp`, `hartung_knapp_floor`, which allow for more
        spread than the model assumes.

    Returns
    -------
    CommonEffectResult
        SingleStudyResult when only one study can be pooled.

    References
    ----------
    Cochrane Handbook, section 10.3; Cochran (1954).
    """
    refuse(
        "common_effect",
        tau2=options.tau2,
        tau2_interval=options.tau2_interval,
        prediction=options.prediction,
        **options.extra,
    )
    method = MEAN_INTERVALS[options.interval or "wald"]
    if not method.common_effect:
        allowed = ", ".join(entry.name for entry in MEAN_INTERVALS if entry.common_effect)
        raise UsageError(
            f"the interval {method.name} needs the random_effects model; common_effect has {allowed}"
        )
    rows = pooled_rows(table)
    if len(rows) == 1:
        return single_study(table, int(np.flatnonzero(table.estimable)[0]), options)
    studies = prepare(rows.effect, rows.variance)
    weights = weigh(studies, 0.0)
    found = method.kernel(studies, weights, options.level)
    estimate = float(found.estimate)
    return CommonEffectResult(
        measure=table.measure,
        level=options.level,
        studies=study_rows(rows, study_shares(studies, weights), options.level),
        mean=mean_interval(
            method.name,
            estimate=estimate,
            standard_error=float(found.standard_error),
            interval=Limits(float(found.lower), float(found.upper)),
            null=null_value(table),
            df=float(found.df),
            factor=float(found.factor),
        ),
        estimate=estimate,
        heterogeneity=heterogeneity_from_q(cochran_q(studies), options.level),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table),
        assumptions=table.assumptions,
        notes=(
            *table.notes,
            "Common effect: one and the same true effect in every study is assumed; the interval says "
            "nothing about other centres. I\u00b2 follows from Q.",
        ),
        references=("handbook", "cochran_1954", *method.references),
    )


MODELS.add(
    Model(
        name="common_effect",
        label="Common effect, inverse variance",
        fit=fit,
        references=("handbook", "cochran_1954"),
    )
)
