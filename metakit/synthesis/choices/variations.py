"""The same question asked again: one engine, which inherits the method of the answer unless a choice is it.

Without each study, in each group of designs, by another choice, with one study more at a time: each is the
analysis itself, from other studies or by another plan, and nothing is chosen anew for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from metakit.core.limits import Limits
from metakit.core.results import PoolResult
from metakit.errors import MetakitError
from metakit.measures.registry import MEASURES
from metakit.models.differing.again import method_of
from metakit.synthesis.answers import Answer
from metakit.synthesis.estimate import estimate
from metakit.synthesis.gathering.gather import Task
from metakit.synthesis.gathering.rows import StudyNumbers

Way = Literal["without_study", "subgroup", "choice", "combination", "added"]
Side = Literal["below", "open", "above"]

FEWEST_TO_LEAVE_OUT = 4
"""With one left out three remain; two would give intervals that nobody can use."""

FEWEST_TO_ADD = 5
"""Studies from which a series in the order of years says more than its first and last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """One other way to ask: what differs, how to answer, and from which studies.

    `name` is an id (of a study, a group, a choice), `label` what people call it.
    """

    way: Way
    name: str
    label: str
    task: Task
    studies: tuple[StudyNumbers, ...]
    planned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class VariationFact:
    """Its answer, or the reason why there is none.

    `estimate` and `interval` are in natural units; `result` is the answer itself, on the analysis scale.
    `side` is where the interval lies against no difference, `same_side` whether the headline's lies there.
    """

    way: Way
    name: str
    label: str
    planned: bool
    measure: str
    studies: tuple[str, ...]
    k: int = 0
    model: str = ""
    estimate: float | None = None
    interval: Limits | None = None
    tau2: float | None = None
    side: Side | None = None
    same_side: bool | None = None
    reason: str = ""
    result: PoolResult | None = None

    @property
    def answer(self) -> Answer:
        """The answer, or the reason why there is none."""
        return Answer(result=self.result, reason=self.reason)

    def to_json(self) -> dict[str, Any]:
        """Return the fact as JSON."""
        return {
            "way": self.way,
            "name": self.name,
            "label": self.label,
            "planned": self.planned,
            "measure": self.measure,
            "k": self.k,
            "model": self.model or None,
            "estimate": self.estimate,
            "interval": list(self.interval) if self.interval else None,
            "tau2": self.tau2,
            "side": self.side,
            "same_side": self.same_side,
            "reason": self.reason or None,
        }


def pinned(task: Task, result: PoolResult) -> Task:
    """Return the task with the method that gave this result, so that no part of it chooses another."""
    if result.k < 2:
        return task
    method = method_of(result)
    if method.inference:
        return replace(task, likelihood=method.likelihood)
    plan = replace(
        task.plan, model=method.model, tau2=method.tau2, interval=method.interval or task.plan.interval
    )
    return replace(task, plan=plan)


def without_each_study(
    task: Task, studies: Sequence[StudyNumbers], result: PoolResult
) -> Iterator[Variation]:
    """Yield the question without each study that entered, in turn; nothing with fewer than 4 of them."""
    used = {row.study for row in result.studies}
    if len(used) < FEWEST_TO_LEAVE_OUT:
        return
    same = pinned(task, result)
    for left in studies:
        if left.name in used:
            rest = tuple(study for study in studies if study is not left)
            yield Variation(way="without_study", name=left.study.id, label=left.name, task=same, studies=rest)


def by_group(
    task: Task, studies: Sequence[StudyNumbers], groups: dict[str, str], result: PoolResult | None
) -> Iterator[Variation]:
    """Yield the question in each group of designs alone; `groups` are their names as shown."""
    same = pinned(task, result) if result else task
    for group, label in groups.items():
        own = tuple(study for study in studies if study.study.design_group == group)
        if own:
            yield Variation(way="subgroup", name=group, label=label, task=same, studies=own)


def year_by_year(task: Task, studies: Sequence[StudyNumbers], result: PoolResult) -> Iterator[Variation]:
    """Yield the question with one study more at a time, in the order of their years.

    Nothing where a year is missing, or with fewer than 5 studies.
    """
    used = {row.study for row in result.studies}
    members = [study for study in studies if study.name in used]
    dated = [(study.study.year, study) for study in members if study.study.year]
    if len(members) < FEWEST_TO_ADD or len(dated) < len(members):
        return
    same = pinned(task, result)
    dated.sort(key=lambda item: item[0])
    for number, (_, study) in enumerate(dated, start=1):
        first = {member.name for _, member in dated[:number]}
        yield Variation(
            way="added",
            name=study.study.id,
            label=study.name,
            task=same,
            studies=tuple(member for member in studies if member.name in first),
        )


def carry_out(variations: Iterable[Variation], headline: PoolResult | None) -> tuple[VariationFact, ...]:
    """Answer each; what cannot be answered has its reason."""
    own = None
    if headline is not None:
        own = side_of(headline.interval, MEASURES[headline.measure].null_value)
    return tuple(_answer(variation, own) for variation in variations)


def side_of(interval: Limits, null: float | None) -> Side | None:
    """Return on which side of no difference an interval lies."""
    if null is None:
        return None
    return "below" if interval.upper < null else "above" if interval.lower > null else "open"


def _answer(variation: Variation, own: Side | None) -> VariationFact:
    names = tuple(study.name for study in variation.studies)
    fact = VariationFact(
        way=variation.way,
        name=variation.name,
        label=variation.label,
        planned=variation.planned,
        measure=variation.task.measure.name,
        studies=names,
        k=len(names),
    )
    if not names:
        return replace(fact, reason="no study is left")
    try:
        answer = estimate(variation.task, variation.studies)[1]
    except MetakitError as error:
        return replace(fact, reason=str(error))
    if answer.result is None:
        return replace(fact, reason=answer.reason)
    result, measure = answer.result, variation.task.measure
    side = side_of(result.interval, measure.null_value)
    values = [
        measure.natural_factor * float(result.back_transform(value))
        for value in (result.estimate, *result.interval)
    ]
    return replace(
        fact,
        k=result.k,
        model=result.model,
        estimate=values[0],
        interval=Limits(values[1], values[2]),
        tau2=result.heterogeneity.tau2,
        side=side,
        same_side=None if own is None else side == own,
        result=result,
    )
