"""One table of sensitivity analyses: how far each choice moves the answer, against what would matter.

Shifts are in the unit of the outcome (per 100 thumbs, or points) and in units of its smallest important
difference. A planned analysis that was not done is in the table, with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.limits import Limits
from metakit.core.records import StudyRecord
from metakit.core.results import PoolResult
from metakit.core.written import listed
from metakit.errors import MetakitError
from metakit.measures.registry import MEASURES
from metakit.models.differing.influence import influence
from metakit.models.of_counts.uncorrected import DEFAULT_CORRECTION
from metakit.models.registry import MODELS
from metakit.synthesis.answers import Answer
from metakit.synthesis.choices.sensitivity import Alternative, as_numbers, suits
from metakit.synthesis.choices.sensitivity_kinds import KINDS, kind_of, planned_kinds, standing_of
from metakit.synthesis.choices.specification_grid import INVERSE_VARIANCE, USUAL, USUAL_MEASURES, option_label
from metakit.synthesis.choices.specification_results import Conclusion, Standing
from metakit.synthesis.choices.specifications import conclusion_of
from metakit.synthesis.choices.variations import Variation, VariationFact, carry_out, pinned
from metakit.synthesis.common_unit import NOT_TO_BE_TURNED, CommonUnit
from metakit.synthesis.gathering.gather import Task, gather
from metakit.synthesis.gathering.rows import Gathered

SAME = "not done: it gives the very numbers of the planned analysis"
NONE_OF_IT = "not done: it does not apply here, or gives the very numbers of the planned analysis"
FAR = "far from the others"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftRow:
    """One choice and how far it moves the answer.

    `difference` and `interval` are in the table's unit; `shift` is the difference less the headline's, and
    `shift_in_important` the same in units of the smallest important difference. `same_conclusion` says
    whether the interval lies where the headline's lies (below, above, or on both sides of no difference).
    `reason` says why it was not done, or has no answer; the numbers are None then.
    """

    kind: str
    name: str
    what: str
    standing: Standing
    k: int = 0
    difference: float | None = None
    interval: Limits | None = None
    shift: float | None = None
    shift_in_important: float | None = None
    conclusion: Conclusion | None = None
    same_conclusion: bool | None = None
    reason: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the row as JSON."""
        return {
            "kind": self.kind,
            "name": self.name,
            "what": self.what,
            "standing": self.standing,
            "k": self.k,
            "difference": self.difference,
            "interval": list(self.interval) if self.interval else None,
            "shift": self.shift,
            "shift_in_smallest_important_differences": self.shift_in_important,
            "conclusion": self.conclusion,
            "same_conclusion": self.same_conclusion,
            "reason": self.reason or None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityTable:
    """The headline and every other choice, in one unit."""

    unit: str
    smallest_important_difference: float | None
    headline: ShiftRow
    rows: tuple[ShiftRow, ...]

    @property
    def answered(self) -> tuple[ShiftRow, ...]:
        """Rows with an answer."""
        return tuple(row for row in self.rows if row.difference is not None)

    @property
    def not_done(self) -> tuple[ShiftRow, ...]:
        """Rows without an answer, with their reasons."""
        return tuple(row for row in self.rows if row.difference is None)

    def to_json(self) -> dict[str, Any]:
        """Return the table as JSON."""
        return {
            "unit": self.unit,
            "smallest_important_difference": self.smallest_important_difference,
            "headline": self.headline.to_json(),
            "rows": [row.to_json() for row in self.rows],
        }


def sensitivity_table(
    task: Task,
    headline: Gathered,
    *,
    table: EffectTable | None,
    result: PoolResult | None,
    done: Sequence[VariationFact],
    unit: CommonUnit | None,
    smallest: float | None,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> SensitivityTable | None:
    """Put every sensitivity analysis of a comparison into one table.

    Parameters
    ----------
    task, headline, table, result
        The analysis as planned, its numbers, effects and answer.
    done : sequence of VariationFact
        What was answered already, on the scales of the measures.
    unit, smallest
        The unit of the comparison and the smallest important difference in it.
    studies, names
        Of the whole review.

    Returns
    -------
    SensitivityTable or None
        None without an answer or a unit.
    """
    if result is None or unit is None:
        return None
    planned = planned_kinds(task.protocol)
    as_planned = ShiftRow(kind="headline", name="as_planned", what="as planned", standing="planned")
    first = _shift(as_planned, Answer(result=result), task.measure.name, task, unit)
    if first.difference is None:
        return None
    rows = [
        _shift(
            ShiftRow(
                kind=kind_of(row.name),
                name=row.name,
                what=row.label,
                standing=standing_of(row.name, planned),
            ),
            row.answer,
            row.measure,
            task,
            unit,
        )
        for row in done
    ]
    for kind, other in _more(pinned(task, result), result, table, headline, studies):
        answer = _answered(other, task, headline, studies, names)
        standing: Standing = "planned" if kind in planned or other.name in planned else "exploratory"
        row = ShiftRow(kind=kind, name=other.name, what=other.what, standing=standing)
        rows.append(_shift(row, answer, other.task.measure.name, task, unit))
    present = {row.kind for row in rows}
    rows += [
        ShiftRow(kind=kind, name=kind, what=KINDS[kind], standing="planned", reason=NONE_OF_IT)
        for kind in KINDS
        if kind in planned and kind not in present
    ]
    order = list(KINDS)
    ranked = sorted(rows, key=lambda row: order.index(row.kind))
    return SensitivityTable(
        unit=unit.label,
        smallest_important_difference=smallest,
        headline=first,
        rows=tuple(_against(row, first, smallest) for row in ranked),
    )


def _more(
    task: Task,
    result: PoolResult,
    table: EffectTable | None,
    headline: Gathered,
    studies: Sequence[StudyRecord],
) -> Iterator[tuple[str, Alternative]]:
    """Yield the choices that the answers of the analysis itself do not have yet."""
    plan = task.plan
    random = result.model == "random_effects"
    tau2 = getattr(result, "tau2_estimator", None) if random else None
    interval = result.mean.method if random else None
    if result.inference == "half_normal":  # its companion is what estimators and intervals are varied from
        tau2, interval = "reml", "hartung_knapp_floor"
    if random or result.inference:
        for name in USUAL.tau2:
            if name != tau2:
                other = replace(plan, model="random_effects", tau2=name, interval=interval)
                what = f"variance between studies by {option_label('tau2', name)}"
                yield "tau2", Alternative(name=f"tau2_{name}", what=what, task=replace(task, plan=other))
        for name in USUAL.intervals:
            if name != interval:
                other = replace(plan, model="random_effects", tau2=tau2, interval=name)
                what = f"interval by {option_label('interval', name)}"
                yield (
                    "interval",
                    Alternative(name=f"interval_{name}", what=what, task=replace(task, plan=other)),
                )
    for name in USUAL_MEASURES.get(task.kind.name, ()):
        entry = MEASURES[name]
        model = result.model if result.model in MODELS and not result.inference else None
        if name != task.measure.name and (model is None or suits(MODELS[model], entry)):
            other = replace(plan, measure=name, scale=None, model=model)
            if not result.inference:
                other = replace(other, tau2=tau2, interval=interval)
            asked = replace(task, plan=other, measure=entry, likelihood="")
            yield "measure", Alternative(name=f"measure_{name}", what=entry.label, task=asked)
    used = task.measure.zero_cell_policy(plan.zero_cells)
    normal = result.inference and result.likelihood == "normal"
    if normal and plan.zero_cells is None and DEFAULT_CORRECTION in task.measure.zero_cell_policies:
        used = DEFAULT_CORRECTION
    if result.model in INVERSE_VARIANCE or normal:
        for name in USUAL.zero_cells:
            if name in task.measure.zero_cell_policies and name != used:
                other = replace(plan, zero_cells=name)
                if not result.inference:
                    other = replace(other, model=result.model, tau2=tau2, interval=interval)
                what = f"zero cells: {option_label('zero_cells', name)}"
                yield (
                    "zero_cells",
                    Alternative(name=f"zero_cells_{name}", what=what, task=replace(task, plan=other)),
                )
    whole = replace(task.choices, icc=1.0)
    yield (
        "one_unit_per_patient",
        Alternative(
            name="one_unit_per_patient",
            what="both thumbs of a patient counted as one (correlation 1)",
            task=replace(task, choices=whole),
        ),
    )
    outlying = _outlying(table)
    if outlying:
        ids = frozenset(study.study.id for study in headline.studies if study.name in outlying)
        yield (
            "outliers",
            Alternative(name="without_outliers", what=f"without {listed(outlying)}", task=task, left_out=ids),
        )


def _outlying(table: EffectTable | None) -> list[str]:
    """Return the studies that lie far from the others, where leaving one out still leaves three."""
    if table is None or int(np.sum(table.estimable)) < 4:
        return []
    try:
        return [row.study for row in influence(table) if FAR in row.flagged]
    except MetakitError:  # no answer without one of the studies; nothing can be called outlying then
        return []


def _answered(
    other: Alternative,
    task: Task,
    headline: Gathered,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> Answer:
    """Answer under another choice, or say that it gives the same numbers."""
    if other.task.choices == task.choices and not other.left_out:
        found = headline
    else:
        kept = [study for study in studies if study.id not in other.left_out]
        found = gather(other.task, kept, names)
        if as_numbers(found) == as_numbers(headline):
            return Answer(reason=SAME)
    again = Variation(way="choice", name=other.name, label=other.what, task=other.task, studies=found.studies)
    return carry_out([again], None)[0].answer


def _shift(row: ShiftRow, answer: Answer, measure_name: str, task: Task, unit: CommonUnit) -> ShiftRow:
    """Bring one answer into the unit of the table."""
    result = answer.result
    row = replace(row, reason=answer.reason)
    if result is None:
        return row
    measure = MEASURES[measure_name]
    scale = task.plan.scale if measure_name == task.measure.name else None
    values = unit.differences(measure_name, scale, np.array([result.estimate, *result.interval]))
    if values is None:
        return replace(row, k=result.k, reason=NOT_TO_BE_TURNED.format(label=measure.label))
    return replace(
        row,
        k=result.k,
        difference=float(values[0]),
        interval=Limits(float(values[1]), float(values[2])),
        conclusion=conclusion_of(result.interval.lower, result.interval.upper, measure.null_value or 0.0),
    )


def _against(row: ShiftRow, headline: ShiftRow, smallest: float | None) -> ShiftRow:
    """Weigh a row against the headline."""
    if row.difference is None or headline.difference is None:
        return row
    shift = row.difference - headline.difference
    return replace(
        row,
        shift=shift,
        shift_in_important=shift / smallest if smallest and math.isfinite(shift) else None,
        same_conclusion=row.conclusion == headline.conclusion,
    )
