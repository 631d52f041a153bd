"""Pooled results made by hand, so that figures are tested apart from the engine."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.limits import Limits, TestStatistic
from metakit.core.notes import Assumption, SetAside
from metakit.core.results import (
    CommonEffectResult,
    Heterogeneity,
    MeanInterval,
    Prediction,
    RandomEffectsResult,
    SingleStudyResult,
    StudyRow,
)


def counts_table(
    cells: Sequence[tuple[str, float, float, float, float]], *, assumptions: tuple[Assumption, ...] = ()
) -> EffectTable:
    """Return a table of log risk ratios; a study without events in both arms is not estimable."""
    names, a, n1, c, n2 = zip(*cells, strict=True)
    events_1, total_1, events_2, total_2 = (np.array(column, dtype=float) for column in (a, n1, c, n2))
    estimable = (events_1 > 0) | (events_2 > 0)
    half = np.where((events_1 == 0) | (events_2 == 0), 0.5, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effect = np.log((events_1 + half) / (total_1 + half)) - np.log((events_2 + half) / (total_2 + half))
        variance = 1 / (events_1 + half) - 1 / total_1 + 1 / (events_2 + half) - 1 / total_2
    return EffectTable(
        measure="risk_ratio",
        scale="log",
        study=tuple(names),
        effect=np.where(estimable, effect, np.nan),
        variance=np.where(estimable, variance, np.nan),
        estimable=estimable,
        data={"events_1": events_1, "total_1": total_1, "events_2": events_2, "total_2": total_2},
        set_aside=tuple(
            SetAside(study=name, reason="no events in either arm")
            for name, usable in zip(names, estimable, strict=True)
            if not usable
        ),
        assumptions=assumptions,
    )


def pooled(
    table: EffectTable,
    *,
    model: str = "random_effects",
    level: float = 0.95,
    back: Callable[[float], float] = math.exp,
) -> RandomEffectsResult | CommonEffectResult | SingleStudyResult:
    """Return a plausible result: inverse-variance mean with tau2 0.04."""
    index = np.flatnonzero(table.estimable)
    effect, variance = table.effect[index], table.variance[index]
    weight = 1 / (variance + 0.04)
    weight = weight / weight.sum()
    estimate = float((weight * effect).sum())
    error = float(np.sqrt((weight**2 * (variance + 0.04)).sum()))
    studies = tuple(
        StudyRow(
            study=table.study[i],
            effect=float(table.effect[i]),
            variance=float(table.variance[i]),
            weight=float(w),
            interval=Limits(
                float(table.effect[i] - 1.96 * table.variance[i] ** 0.5),
                float(table.effect[i] + 1.96 * table.variance[i] ** 0.5),
            ),
        )
        for i, w in zip(index, weight, strict=True)
    )
    shared = {
        "measure": table.measure,
        "level": level,
        "studies": studies,
        "mean": MeanInterval(
            method="hartung_knapp_floor",
            standard_error=error,
            interval=Limits(estimate - 2.2 * error, estimate + 2.2 * error),
            statistic=None,
            p_value=None,
        ),
        "estimate": estimate,
        "back_transform": back,
    }
    if model == "single_study":
        return SingleStudyResult(**shared, heterogeneity=Heterogeneity())  # type: ignore[arg-type]
    if model == "common_effect":
        q = TestStatistic(1.5, 1, 0.22)
        return CommonEffectResult(**shared, heterogeneity=Heterogeneity(q=q))  # type: ignore[arg-type]
    return RandomEffectsResult(
        **shared,  # type: ignore[arg-type]
        heterogeneity=Heterogeneity(
            q=TestStatistic(12.34, 4, 0.015),
            tau2=0.04,
            tau2_interval=Limits(0.0, 0.64),
            i2=0.43,
            i2_interval=Limits(0.0, 0.75),
        ),
        tau2_estimator="reml",
        truncated=False,
        prediction=Prediction(method="t", interval=Limits(estimate - 3 * error, estimate + 3 * error), df=3),
    )
