"""From gathered numbers to an effect table and a pooled answer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.kind import COUNTS
from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes
from metakit.models.inference import serving
from metakit.models.of_counts.uncorrected import with_default_correction
from metakit.models.pool import pool
from metakit.synthesis.answers import Answer
from metakit.synthesis.gathering.gather import Task
from metakit.synthesis.gathering.gather_ready import ready_columns
from metakit.synthesis.gathering.reported_effects import Ready
from metakit.synthesis.gathering.rows import StudyNumbers

ROUNDED = (
    "This model is defined for whole numbers only: effective numbers of thumbs were rounded for it "
    "(Cochrane Handbook 23.1.4, which warns that this suits small studies less)."
)

READY = (
    "Some studies enter by an effect that their report gives ready, without counts or means of the arms: "
    "effects are pooled by inverse variance, and models of the arms' own numbers are not used."
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
    if any(study.ready for study in studies):
        return _with_ready(task, studies)
    rows = [study.columns(measure.columns) for study in studies]
    if whole:
        rows = [{name: float(np.round(value)) for name, value in row.items()} for row in rows]
    frame: dict[str, list[object]] = {
        "study": [study.name for study in studies],
        **{name: [row.get(name) for row in rows] for name in measure.columns},
        "design_group": [study.study.design_group for study in studies],
        "year": _years(studies),
        "cohort": [study.study.cohort or study.name for study in studies],
    }
    effects = effect_sizes(
        frame, measure=measure.name, scale=plan.scale, zero_cells=plan.zero_cells, effective_numbers=True,
        rows_differ=True,
    )  # fmt: skip
    return effects if plan.model or plan.tau2 or plan.interval else with_default_correction(effects)


def _years(studies: Sequence[StudyNumbers]) -> list[object]:
    """Return the years as a column of numbers, an unknown one not a number among known ones."""
    years = [study.study.year for study in studies]
    if None in years and any(year is not None for year in years):
        return [math.nan if year is None else float(year) for year in years]
    return list(years)


def _with_ready(task: Task, studies: Sequence[StudyNumbers]) -> EffectTable:
    """Return the effects of studies of which some give them ready; raw counts are in none of the rows.

    A model of counts would leave the ready effects out, so that the table offers effects and variances only.
    """
    plan, measure = task.plan, task.measure
    by_arms = [study for study in studies if not study.ready]
    parts = [_effects(task, by_arms)] if by_arms else []
    given = [study for study in studies if study.ready]
    others = [study for study in given if study.ready_measure != measure.name]
    if others:
        label = MEASURES[others[0].ready_measure].label
        raise UsageError(
            f"{others[0].name}: the report gives a {label}, which cannot be turned into a {measure.label}"
        )
    pairs = np.array(
        [[study.ready[name] for name in ready_columns(measure, Ready(0.0, 0.0))] for study in given]
    )
    parts.append(
        EffectTable(
            measure=measure.name,
            scale=measure.scale(plan.scale).name,
            study=tuple(study.name for study in given),
            effect=pairs[:, 0],
            variance=pairs[:, 1] ** 2,
            estimable=np.ones(len(given), dtype=np.bool_),
            moderators={
                "design_group": tuple(study.study.design_group for study in given),
                "year": tuple(study.study.year for study in given),
                "cohort": tuple(study.study.cohort or study.name for study in given),
            },
        )
    )
    order = {study.name: i for i, study in enumerate(studies)}
    names = [name for part in parts for name in part.study]
    index = np.array(sorted(range(len(names)), key=lambda i: order[names[i]]))
    return EffectTable(
        measure=measure.name,
        scale=parts[-1].scale,
        study=tuple(names[i] for i in index),
        effect=np.concatenate([part.effect for part in parts])[index],
        variance=np.concatenate([part.variance for part in parts])[index],
        estimable=np.concatenate([part.estimable for part in parts])[index],
        moderators={
            name: tuple([value for part in parts for value in part.moderators[name]][i] for i in index)
            for name in ("design_group", "year", "cohort")
        },
        zero_cells=parts[0].zero_cells,
        set_aside=parts[0].set_aside,
        assumptions=parts[0].assumptions,
        notes=(*parts[0].notes, READY) if by_arms else (),
    )


def _pooled(task: Task, table: EffectTable, studies: Sequence[StudyNumbers]) -> PoolResult:
    plan = task.plan

    def answer(effects: EffectTable) -> PoolResult:
        return pool(
            effects,
            model=plan.model,
            tau2=plan.tau2,
            interval=plan.interval,
            level=plan.level,
            inference=task.protocol.inference or None,
            beside=task.beside,
            intervals=task.intervals,
            likelihood=task.likelihood if task.likelihood in serving(effects) else None,
        )

    try:
        return answer(table)
    except UsageError:
        if task.kind is not COUNTS or not any(study.has_effective_numbers for study in studies):
            raise
        result = answer(_effects(task, studies, whole=True))
        return replace(result, notes=(ROUNDED, *result.notes))
