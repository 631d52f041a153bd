"""From gathered numbers to an effect table and a pooled answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.synthesis.findings import Answer
from metakit.synthesis.gather import Task
from metakit.synthesis.rows import StudyNumbers

ROUNDED = (
    "This model is defined for whole numbers only: effective numbers of thumbs were rounded for it "
    "(Cochrane Handbook 23.1.4, which warns that this suits small studies less)."
)


def estimate(task: Task, studies: Sequence[StudyNumbers]) -> tuple[EffectTable | None, Answer]:
    """Compute the effects of some studies and pool them as the plan says.

    Effective numbers enter as they are where the model takes them (inverse variance, Mantel-Haenszel, Peto,
    binomial-normal and Poisson-normal likelihoods). A model of whole numbers only gets them rounded, and says
    so.

    Returns
    -------
    tuple of EffectTable or None, and Answer
        No table without studies; without a result the answer holds the reason. Never an exception for data
        that hold no answer.

    Raises
    ------
    UsageError
        When the plan names a model, an estimator or an interval that its measure does not have.
    """
    if not studies:
        return None, Answer(reason="no study of this review has a usable result for it")
    table = None
    try:
        table = _effects(task, studies)
        if task.plan.without_pooling:
            return table, Answer(reason=f"not pooled, as planned: {task.plan.without_pooling}")
        return table, Answer(result=_pooled(task, table, studies))
    except NotEstimableError as error:
        return table, Answer(reason=str(error))


def _effects(task: Task, studies: Sequence[StudyNumbers], *, whole: bool = False) -> EffectTable:
    plan, measure = task.plan, task.measure
    rows = [study.columns(measure.columns) for study in studies]
    if whole:
        rows = [{name: float(np.round(value)) for name, value in row.items()} for row in rows]
    frame = pd.DataFrame(
        [
            {
                "study": study.name,
                **row,
                "design_group": study.study.design_group,
                "year": study.study.year,
            }
            for study, row in zip(studies, rows, strict=True)
        ]
    )
    return effect_sizes(
        frame, measure=measure.name, scale=plan.scale, zero_cells=plan.zero_cells, effective_numbers=True
    )


def _pooled(task: Task, table: EffectTable, studies: Sequence[StudyNumbers]) -> PoolResult:
    plan = task.plan

    def answer(effects: EffectTable) -> PoolResult:
        return pool(effects, model=plan.model, tau2=plan.tau2, interval=plan.interval, level=plan.level)

    try:
        return answer(table)
    except UsageError:
        if task.family != "counts" or not any(study.has_effective_numbers for study in studies):
            raise
        result = answer(_effects(task, studies, whole=True))
        return replace(result, notes=(ROUNDED, *result.notes))
