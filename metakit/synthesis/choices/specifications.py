"""Specification curve: every reasonable way to have done one analysis, in batches where models allow it.

Source: Simonsohn, Simmons & Nelson 2020; for meta-analyses Voracek, Kossmeier & Tran 2019.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.limits import Limits
from metakit.core.plans import SpecificationPlan
from metakit.core.records import StudyRecord
from metakit.core.results import PoolResult
from metakit.core.written import count, listed
from metakit.measures.registry import MEASURES
from metakit.synthesis.choices.specification_fitting import Fitted, Runner, data_of
from metakit.synthesis.choices.specification_grid import DATA_CHOICES, LABELS, MOST, Grid, grid
from metakit.synthesis.choices.specification_results import (
    NOT_APPLICABLE,
    Conclusion,
    OptionEffect,
    SpecificationCurve,
    SpecificationRow,
)
from metakit.synthesis.common_unit import NOT_TO_BE_TURNED, CommonUnit
from metakit.synthesis.gathering.gather import Task
from metakit.synthesis.gathering.rows import Gathered
from metakit.synthesis.words import Directions

FEWEST_STUDIES = 3
"""With two studies, models and estimators of the variance between studies differ by definition alone."""


def asks_for_specifications(analysis: str, plan: SpecificationPlan | None, result: PoolResult | None) -> bool:
    """Say whether a comparison gets a curve: named by the protocol, or else with three or more studies."""
    if plan is not None and plan.analyses:
        return analysis in plan.analyses
    return result is not None and result.k >= FEWEST_STUDIES


def specification_curve(
    task: Task,
    result: PoolResult | None,
    *,
    title: str,
    unit: CommonUnit | None,
    sides: Directions,
    smallest: float | None,
    plan: SpecificationPlan | None,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> SpecificationCurve:
    """Answer one comparison under every declared combination of choices.

    Parameters
    ----------
    task, title, result : Task, str, PoolResult or None
        The analysis as planned, and its headline answer.
    unit : CommonUnit or None
        What all answers are turned into.
    sides : Directions
        What below and above no difference mean.
    smallest : float or None
        Smallest important difference, in that unit.
    plan : SpecificationPlan or None
        As the protocol declares it; the usual set when None.
    studies, names : records, names as shown
        Of the whole review.

    Returns
    -------
    SpecificationCurve
        Every combination has a row; a refused fit has a reason instead of an estimate.
    """
    empty = SpecificationCurve(
        analysis=task.plan.id,
        title=title,
        unit=unit.label if unit else "",
        below=sides.below,
        above=sides.above,
        smallest_important_difference=smallest,
        planned=plan is not None and not plan.data_seen,
        level=task.plan.level,
    )
    if result is None:
        return replace(empty, reason="the planned analysis itself has no answer")
    if result.k < 2:
        return replace(empty, reason="one study leaves nothing to choose between models and estimators")
    if task.choices.adjusted:
        return replace(
            empty,
            reason="effects that reports give ready cannot be computed again in another measure or with "
            "another correction; the table of other choices shows what can be varied",
        )
    if unit is None:
        return replace(
            empty,
            reason="the comparator arms had no event, so that answers have no common unit to compare them",
        )
    runner = Runner(task=task, studies=tuple(studies), names=names, cache={})
    whole = grid(task, result, plan or SpecificationPlan())
    reduced, notes = _with_a_difference(runner, whole)
    rows, asked = reduced.capped((plan.most if plan else None) or MOST)
    if asked > len(rows):
        notes.append(
            f"{asked} combinations were declared and {len(rows)} were run: the planned one, those that "
            "differ from it in one choice, and an evenly spaced selection of the others."
        )
    fitted = runner.fit_all(rows)
    # The headline is the planned analysis itself, with whatever checks and choices its own model makes.
    head = tuple(whole.headline.values())
    answers = []
    for number, (row, found) in enumerate(zip(rows, fitted, strict=True), start=1):
        is_head = tuple(row.values()) == head
        if is_head:
            found = Fitted(
                k=result.k, estimate=result.estimate, lower=result.interval.lower, upper=result.interval.upper
            )
        answers.append(
            _row(number, row, found, task, unit, planned=empty.planned or is_head, headline=is_head)
        )
    alone = sum(row.k == 1 and not row.reason for row in answers)
    if alone:
        notes.append(f"{count(alone, 'combination')} left one study, whose own interval is shown.")
    conclusion = next(row.conclusion for row in answers if row.headline)
    told = tuple(
        replace(row, holds=None if row.conclusion is None else row.conclusion == conclusion)
        for row in answers
    )
    return replace(
        empty,
        choices=reduced.choices,
        rows=told,
        conclusion=conclusion,
        baseline=None if unit.baseline is None else 100 * unit.baseline,
        asked=asked,
        effects=_effects(reduced, told),
        notes=tuple(notes),
    )


def _row(
    number: int,
    choices: Mapping[str, str],
    found: Fitted,
    task: Task,
    unit: CommonUnit,
    *,
    planned: bool,
    headline: bool,
) -> SpecificationRow:
    row = SpecificationRow(
        number=number,
        choices=dict(choices),
        standing="planned" if planned else "exploratory",
        k=found.k,
        headline=headline,
        reason=found.reason,
    )
    if found.reason:
        return row
    measure = MEASURES[choices["measure"]]
    scale = task.plan.scale if measure.name == task.measure.name else None
    values = unit.differences(measure.name, scale, np.array([found.estimate, found.lower, found.upper]))
    if values is None:
        return replace(row, reason=NOT_TO_BE_TURNED.format(label=measure.label))
    return replace(
        row,
        estimate=float(values[0]),
        interval=Limits(float(values[1]), float(values[2])),
        conclusion=conclusion_of(found.lower, found.upper, measure.null_value or 0.0),
    )


def conclusion_of(lower: float, upper: float, null: float) -> Conclusion:
    """Say where an interval lies: below no difference, above it, or on both sides."""
    return "below" if upper < null else "above" if lower > null else "open"


def _with_a_difference(runner: Runner, whole: Grid) -> tuple[Grid, list[str]]:
    """Leave out options of the data that give the very numbers of the planned one, and say which."""
    planned = data_of(whole.headline)
    measure = whole.headline["measure"]
    policies = whole.options("zero_cells")
    policy = next((name for name in policies if name != NOT_APPLICABLE), NOT_APPLICABLE)
    same: dict[str, list[str]] = {}
    for place, name in enumerate(DATA_CHOICES):
        for option in whole.options(name):
            data = (*planned[:place], option, *planned[place + 1 :])
            if data != planned and _equal(runner, runner.gathered(data), runner.gathered(planned)):
                same.setdefault(name, []).append(option)
    corrections = [name for name in policies if name not in (policy, NOT_APPLICABLE)]
    first = runner.effects(measure, policy, [planned])
    for other in corrections:
        if other in MEASURES[measure].zero_cell_policies and _same_arrays(
            first, runner.effects(measure, other, [planned])
        ):
            same.setdefault("zero_cells", []).append(other)
    if policy in same.get("zero_cells", ()) or not same:
        return whole, []
    labels = {
        (choice.name, option.name): option.label for choice in whole.choices for option in choice.options
    }
    words = [
        f"{LABELS[name].lower()}: {listed([labels[name, option] for option in options])}"
        for name, options in same.items()
    ]
    return whole.without(same), [
        f"Left out, because they give the same numbers as the planned option: {'; '.join(words)}."
    ]


def _equal(runner: Runner, one: Gathered, other: Gathered) -> bool:
    names = runner.task.measure.columns
    return [(study.name, study.columns(names)) for study in one.studies] == [
        (study.name, study.columns(names)) for study in other.studies
    ]


def _same_arrays(one: Sequence[FloatArray | BoolArray], other: Sequence[FloatArray | BoolArray]) -> bool:
    return all(np.array_equal(left, right) for left, right in zip(one, other, strict=True))


def _effects(used: Grid, rows: Sequence[SpecificationRow]) -> tuple[OptionEffect, ...]:
    """Say for every option of a choice with several how often the conclusion holds with it."""
    found = []
    answered = [row for row in rows if row.estimate is not None]
    for choice in used.choices:
        present = {option: [row for row in answered if row.choices[choice.name] == option] for option in (
            *used.options(choice.name), NOT_APPLICABLE
        )}  # fmt: skip
        filled = {option: members for option, members in present.items() if members}
        if len(filled) < 2:
            continue
        labels = {option.name: option.label for option in choice.options}
        for option, members in filled.items():
            found.append(
                OptionEffect(
                    choice=choice.name,
                    option=option,
                    label=labels.get(option, "does not apply"),
                    rows=len(members),
                    fraction=sum(bool(row.holds) for row in members) / len(members),
                    median=median(row.estimate for row in members if row.estimate is not None),
                )
            )
    return tuple(found)
