"""The same question under other choices, beside the headline and never instead of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

from metakit.core.records import StudyRecord
from metakit.core.results import PoolResult
from metakit.measures.converting.units_of_analysis import SENSITIVITY_ICCS
from metakit.measures.kind import MEANS
from metakit.measures.registry import Measure
from metakit.models.registry import MODELS, Model
from metakit.synthesis.answers import DefinitionFound
from metakit.synthesis.appraisal import concern_of, high_concern
from metakit.synthesis.choices.sensitivity_kinds import planned_kinds, standing_of
from metakit.synthesis.choices.variations import Variation, VariationFact, carry_out, pinned
from metakit.synthesis.gathering.arms import OF_COUNTS
from metakit.synthesis.gathering.gather import Task, gather
from metakit.synthesis.gathering.rows import Gathered


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """One other choice; with `always` it is shown even when it uses the same numbers.

    `left_out` are ids of studies that do not enter at all; another report of their patients may then.
    """

    name: str
    what: str
    task: Task
    always: bool = False
    left_out: frozenset[str] = frozenset()


def sensitivity_rows(
    task: Task,
    headline: Gathered,
    result: PoolResult | None,
    definitions: Sequence[DefinitionFound],
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> tuple[VariationFact, ...]:
    """Answer the question under every other choice that makes a difference to its data.

    Parameters
    ----------
    task, headline, result : Task, Gathered, PoolResult or None
        The analysis as planned, its numbers and its answer.
    definitions : sequence of DefinitionFound
        Definitions met.
    studies, names : records and names as shown
        Of the whole review.
    """
    planned = planned_kinds(task.protocol)
    same = pinned(task, result) if result else task

    def made() -> Iterator[Variation]:
        for other in (
            *_other_models(task, result),
            *_without_high_concern(same, headline, studies),
            *_other_numbers(same, headline, definitions),
        ):
            same_numbers = other.task.choices == task.choices and not other.left_out
            kept = [study for study in studies if study.id not in other.left_out]
            gathered = headline if same_numbers else gather(other.task, kept, names)
            if not other.always and not same_numbers and as_numbers(gathered) == as_numbers(headline):
                continue
            if gathered.studies or other.always:
                yield Variation(
                    way="choice",
                    name=other.name,
                    label=other.what,
                    task=other.task,
                    studies=gathered.studies,
                    planned=standing_of(other.name, planned) == "planned",
                )

    return carry_out(made(), result)


def _other_models(task: Task, result: PoolResult | None) -> Iterator[Alternative]:
    headline = result.model if result else ""
    for name, what in (
        ("random_effects", "random effects, inverse variance"),
        ("common_effect", "one common effect, inverse variance"),
        ("mantel_haenszel", "Mantel-Haenszel, zero cells left as they are"),
        ("one_stage", "one-stage model, zero cells left as they are"),
        ("bayesian", "Bayesian random effects"),
    ):
        if name == headline or (name == "bayesian" and _integrates(result)):
            continue
        if name not in MODELS or not suits(MODELS[name], task.measure):
            continue
        if task.choices.adjusted and name in OF_COUNTS:
            continue  # ready effects have no counts
        yield Alternative(name=name, what=what, task=with_model(task, name))


def with_model(task: Task, name: str) -> Task:
    """Return the same question for another model, with its own estimator and interval."""
    uncorrected = name in {"mantel_haenszel", "one_stage"} and "none" in task.measure.zero_cell_policies
    zero_cells = "none" if uncorrected else task.plan.zero_cells
    plan = replace(task.plan, model=name, tau2=None, interval=None, zero_cells=zero_cells)
    return replace(task, plan=plan)


def _integrates(result: PoolResult | None) -> bool:
    """Say whether the answer integrates the spread already, or has studies enough to estimate it."""
    return result is not None and (result.k != 2 or result.inference == "half_normal")


def _other_numbers(
    task: Task, headline: Gathered, definitions: Sequence[DefinitionFound]
) -> Iterator[Alternative]:
    choices = task.choices
    for icc in SENSITIVITY_ICCS:
        if icc != choices.icc:
            yield Alternative(
                name=f"icc_{icc:g}",
                what=f"correlation {icc:g} between the thumbs of one patient instead of {choices.icc:g}",
                task=replace(task, choices=replace(choices, icc=icc)),
            )
    for extreme in ("fewest", "most"):
        yield Alternative(
            name=f"per_event_{extreme}",
            what=f"totals that count events taken at the {extreme} thumbs that they allow",
            task=replace(task, choices=replace(choices, per_event=extreme)),
        )
    fitting = [item for item in definitions if item.fits]
    for item in fitting if len(fitting) > 1 else []:
        yield Alternative(
            name=f"definition_{item.definition or 'not_stated'}",
            what=f"only studies with the definition “{item.label}”",
            task=replace(task, choices=replace(choices, only_definition=item.definition)),
        )
    if choices.adjusted:
        others: tuple[tuple[Literal["prefer", "only", "never"], str], ...] = (
            ("prefer", "adjusted effects where there are any, otherwise unadjusted ones"),
            ("only", "only effects that the reports adjusted"),
            ("never", "only unadjusted effects"),
        )
        for adjusted, what in others:
            if adjusted != choices.adjusted:
                yield Alternative(
                    name=f"adjusted_{adjusted}",
                    what=what,
                    task=replace(task, choices=replace(choices, adjusted=adjusted)),
                )
    if task.kind is MEANS:
        yield Alternative(
            name="without_medians",
            what="without means and standard deviations derived from medians and ranges",
            task=replace(task, choices=replace(choices, derive_from_median=False)),
        )
        spreads = [
            part.numbers["sd"]
            for study in headline.studies
            for side in study.sides
            for part in side.arms
            if "sd" in part.numbers
        ]
        if spreads:
            yield Alternative(
                name="borrowed_spread",
                what="with means that lack a spread, the median standard deviation of the others borrowed",
                task=replace(task, choices=replace(choices, borrowed_sd=median(spreads))),
            )


def _without_high_concern(
    task: Task, headline: Gathered, studies: Sequence[StudyRecord]
) -> Iterator[Alternative]:
    """Leave out what is of high concern, also when nothing is left: that is an answer too."""
    outcome = task.plan.outcome
    names = [study.name for study in high_concern(headline.studies, outcome)]
    if names:
        which = f"the study of high concern about bias ({names[0]})"
        if len(names) > 1:
            which = f"the {len(names)} studies of high concern about bias ({', '.join(names)})"
        yield Alternative(
            name="without_high_concern",
            what=f"without {which}",
            task=task,
            always=True,
            left_out=frozenset(study.id for study in studies if concern_of(study, outcome) == "high"),
        )


def suits(model: Model, measure: Measure) -> bool:
    """Say whether a model can be fitted to a measure."""
    if model.measures and measure.name not in model.measures:
        return False
    return not model.families or measure.family in model.families


def as_numbers(gathered: Gathered) -> list[tuple[str, list[dict[str, float]]]]:
    """Return the numbers of every study, to see whether two choices differ at all."""
    return [
        (study.name, [*(dict(side.effective) for side in study.sides), dict(study.ready)])
        for study in gathered.studies
    ]
