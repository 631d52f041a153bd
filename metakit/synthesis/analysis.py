"""One analysis of the plan, from records to a finding."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from metakit.core.effects import EffectTable
from metakit.core.notes import Assumption, SetAside
from metakit.core.plans import AnalysisPlan, ComparisonPlan, Protocol
from metakit.core.records import StudyRecord
from metakit.core.results import PoolResult
from metakit.models.differing.fragility import Fragility, fragility
from metakit.models.inference import DEFAULT_INFERENCE, likelihood_of
from metakit.models.of_counts.uncorrected import UNCORRECTED
from metakit.synthesis.absolute import absolute_effect
from metakit.synthesis.answers import AbsoluteEffect, Answer
from metakit.synthesis.appraisal import concern_caution, concern_shares
from metakit.synthesis.asking import (
    answer_sentence,
    comparison_of,
    outcome_plan_of,
    task_of,
    title_of,
    unit_words,
)
from metakit.synthesis.cautions import cautions_for
from metakit.synthesis.choices.sensitivity import sensitivity_rows
from metakit.synthesis.choices.sensitivity_table import sensitivity_table
from metakit.synthesis.choices.specifications import asks_for_specifications, specification_curve
from metakit.synthesis.choices.variations import (
    VariationFact,
    by_group,
    carry_out,
    without_each_study,
    year_by_year,
)
from metakit.synthesis.common_unit import common_unit
from metakit.synthesis.definitions import definition_notes, definitions_found
from metakit.synthesis.estimate import estimate
from metakit.synthesis.exploring.explorations import explorations_of
from metakit.synthesis.exploring.moderators import moderator_columns, with_moderators
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.fragility_words import fragility_sentence
from metakit.synthesis.gathering.gather import Task, gather
from metakit.synthesis.gathering.rows import StudyNumbers
from metakit.synthesis.returning.co_procedures import cancelling_notes, co_procedures, differing_words
from metakit.synthesis.spread_words import spread_sentences
from metakit.synthesis.without_pooling import UnpooledFinding, unpooled_finding
from metakit.synthesis.words import (
    Directions,
    absolute_sentence,
    design_sentence,
    directions,
    importance_sentence,
)

DESIGN_GROUPS = {
    "randomised": "Randomised trials",
    "comparative": "Comparative studies without randomisation",
    "series": "Single-arm series",
}


def analyse(
    plan: AnalysisPlan, protocol: Protocol, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> AnalysisFinding:
    """Carry out one analysis.

    Parameters
    ----------
    plan : AnalysisPlan
        What to analyse.
    protocol : Protocol
        The review's question, with the outcome's time window and the correlation of thumbs.
    studies : sequence of StudyRecord
        All studies of the review.
    names : mapping of str to str
        Name of each study (by id) as shown.

    Returns
    -------
    AnalysisFinding
        Also when nothing can be estimated: `answer.reason` then says why.

    Raises
    ------
    UsageError
        When the plan asks for something impossible, such as one number from series and comparisons.
    """
    task = task_of(plan, protocol)
    comparison = comparison_of(plan, protocol)
    gathered = gather(task, studies, names)
    definitions = definitions_found(gathered.candidates, task.term)
    table, answer = estimate(task, gathered.studies)
    task = replace(task, likelihood=likelihood_kept(table, answer), beside=False)
    brief = replace(task, intervals=False)
    columns = moderator_columns(gathered.studies, plan.outcome)
    table = with_moderators(table, columns) if table else None
    result = answer.result
    by_design = carry_out(
        by_group(brief, gathered.studies, DESIGN_GROUPS, result) if comparison else (), result
    )
    sides = directions(task.term, comparison, task.measure) if comparison else Directions(below="", above="")
    absolute, misfit = None, ""
    if result and comparison:
        absolute, misfit = absolute_effect(result, task.measure, gathered.studies)
    outcome_plan = outcome_plan_of(plan, protocol)
    smallest = outcome_plan.smallest_important_difference
    unit = common_unit(task.measure, task.term, absolute, gathered.studies) if comparison else None
    if unit is not None and unit.per_year:
        smallest = None  # it is per 100 thumbs; a rate is per 100 thumb-years
    title = title_of(task.term, plan, comparison)
    curve = None
    refused = plan.without_pooling
    if comparison and not refused and asks_for_specifications(plan.id, protocol.specifications, result):
        curve = specification_curve(
            brief,
            result,
            title=title,
            unit=unit,
            sides=sides,
            smallest=smallest,
            plan=protocol.specifications,
            studies=studies,
            names=names,
        )
    again = (
        ()
        if refused or result is None
        else (
            *without_each_study(brief, gathered.studies, result),
            *year_by_year(brief, gathered.studies, result),
        )
    )
    others = () if refused else sensitivity_rows(task, gathered, result, definitions, studies, names)
    unpooled = None
    if result is None:
        unpooled = unpooled_finding(
            table, task.measure, planned=refused, why=answer.reason, level=plan.level,
            unit=unit_words(task.measure, task.term), sides=sides, comparison=comparison,
            missing=gathered.missing,
        )  # fmt: skip
    set_aside, assumptions, notes = _logs(table, result)
    hangs_on = fragility(table, result) if table and result and comparison else None
    concerns = concern_shares(gathered.studies, result, plan.outcome)
    beside = co_procedures(gathered.studies, comparison)
    return AnalysisFinding(
        plan=plan,
        title=title,
        term=task.term,
        outcome_plan=outcome_plan,
        comparison=comparison,
        numbers=gathered.studies,
        table=table,
        answer=answer,
        absolute=absolute,
        left_words=sides.below,
        right_words=sides.above,
        left_short=sides.below_short,
        sentences=_sentences(
            task,
            answer,
            gathered.studies,
            unpooled=unpooled,
            comparison=comparison,
            sides=sides,
            by_design=by_design,
            absolute=absolute,
            smallest=outcome_plan.smallest_important_difference,
            hangs_on=hangs_on,
        ),
        cautions=(
            *cautions_for(
                result,
                task.measure,
                task.term,
                gathered.studies,
                _techniques(plan, comparison),
                differing_words(beside),
            ),
            *concern_caution(concerns),
        ),
        definitions=definitions,
        set_aside=(*gathered.set_aside, *set_aside),
        assumptions=(*gathered.assumptions, *assumptions),
        notes=(
            *([misfit] if misfit else ()),
            *definition_notes(gathered.studies),
            *cancelling_notes(beside),
            *gathered.notes,
            *notes,
        ),
        missing=gathered.missing,
        concerns=concerns,
        co_procedures=beside,
        moderators=columns,
        explorations=explorations_of(
            plan.id,
            () if refused else protocol.explorations,
            table,
            columns,
            tau2=plan.tau2,
            inference=protocol.inference or DEFAULT_INFERENCE,
            level=plan.level,
        ),
        specifications=curve,
        sensitivity_table=sensitivity_table(
            brief,
            gathered,
            table=table,
            result=result,
            done=others,
            unit=unit,
            smallest=smallest,
            studies=studies,
            names=names,
        ),
        unpooled=unpooled,
        fragility=hangs_on,
        variations=(*by_design, *others, *carry_out(again, result)),
    )


def likelihood_kept(table: EffectTable | None, answer: Answer) -> str:
    """Return the likelihood of an analysis as a whole, which its parts and variations keep."""
    if answer.result is not None and answer.result.likelihood:
        return answer.result.likelihood
    return likelihood_of(table) if table is not None else ""


def _techniques(plan: AnalysisPlan, comparison: ComparisonPlan | None) -> tuple[str, ...]:
    return (*comparison.technique, *comparison.comparator) if comparison else plan.techniques


def _sentences(
    task: Task,
    answer: Answer,
    numbers: Sequence[StudyNumbers],
    *,
    unpooled: UnpooledFinding | None,
    comparison: ComparisonPlan | None,
    sides: Directions,
    by_design: Sequence[VariationFact],
    absolute: AbsoluteEffect | None,
    smallest: float | None,
    hangs_on: Fragility | None,
) -> tuple[str, ...]:
    result, measure, scale = answer.result, task.measure, task.plan.scale
    if unpooled is not None:
        return unpooled.sentences
    if result is None:
        return (f"No answer: {answer.reason}.".replace("..", "."),)
    unit, when = unit_words(measure, task.term), task.question.window.label
    sentences = [answer_sentence(task, result, numbers, comparison, sides)]
    if comparison is not None:
        if absolute is not None:
            sentences.append(absolute_sentence(absolute, task.term, comparison, when))
        sentences.append(importance_sentence(result, measure, absolute, smallest, sides, unit))
        if hangs_on is not None:
            sentences.append(fragility_sentence(hangs_on, result, measure, scale, comparison))
        sentences.append(design_sentence(by_design, measure, scale, unit))
    sentences.append(" ".join(spread_sentences(result, measure, scale, unit)))
    return tuple(sentence for sentence in sentences if sentence)


def _logs(
    table: EffectTable | None, result: PoolResult | None
) -> tuple[tuple[SetAside, ...], tuple[Assumption, ...], tuple[str, ...]]:
    """Return what table and result log; lines that the result took over from the table come once.

    A model may use a study that has no effect of its own (no events at all): such a study is not set aside,
    and where the model has a reason of its own, that is the one that counts.
    """
    sources = [source for source in (table, result) if source is not None]
    if result is not None and (result.likelihood or UNCORRECTED in result.notes):
        sources = [result]  # what it took over of the table; no cell is corrected and not corrected
    aside = result.set_aside if result else ()
    settled = {row.study for row in result.studies} if result else set()
    settled |= {item.study for item in aside}
    if table is not None:
        aside = (*(item for item in table.set_aside if item.study not in settled), *aside)
    return (
        tuple(dict.fromkeys(aside)),
        tuple(dict.fromkeys(item for source in sources for item in source.assumptions)),
        tuple(dict.fromkeys(item for source in sources for item in source.notes)),
    )
