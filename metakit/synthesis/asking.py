"""What an analysis asks, and the sentence that answers it: the same for the plan and for what is tried."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.plans import AnalysisPlan, ComparisonPlan, OutcomePlan, Protocol
from metakit.core.results import PoolResult
from metakit.errors import UnknownNameError, UsageError
from metakit.measures.kind import HAZARDS, MEANS
from metakit.measures.registry import MEASURES, Measure
from metakit.synthesis.gathering.arms import check_plan
from metakit.synthesis.gathering.gather import Task
from metakit.synthesis.gathering.rows import Choices, StudyNumbers
from metakit.synthesis.terms import OutcomeTerm, outcome_term
from metakit.synthesis.words import Directions, comparison_sentence, series_sentence


def task_of(plan: AnalysisPlan, protocol: Protocol) -> Task:
    """Return an analysis with all that it needs to gather its numbers; raises as `analyse`."""
    measure = MEASURES[plan.measure]
    check_plan(plan, measure)
    term = outcome_term(plan.outcome)
    if (term.kind == "continuous") != (measure.kind is MEANS) or (
        term.kind == "survival" and not measure.kind.timed
    ):
        needed = {"continuous": "a measure of means", "survival": "a measure of time to event"}.get(
            term.kind, "a measure of counts, rates or time to event"
        )
        raise UsageError(f"analysis {plan.id!r}: {term.label} needs {needed}, not {measure.label}")
    return Task(
        plan=plan,
        protocol=protocol,
        measure=measure,
        term=term,
        window=outcome_plan_of(plan, protocol).window,
        choices=Choices(
            icc=protocol.icc, adjusted=plan.adjusted or ("prefer" if measure.kind is HAZARDS else "")
        ),
    )


def outcome_plan_of(plan: AnalysisPlan, protocol: Protocol) -> OutcomePlan:
    """Return what the protocol says about the outcome of an analysis."""
    for outcome in protocol.outcomes:
        if outcome.outcome == plan.outcome:
            return outcome
    raise UnknownNameError(
        f"outcome of the protocol, in analysis {plan.id!r}",
        plan.outcome,
        [item.outcome for item in protocol.outcomes],
    )


def comparison_of(plan: AnalysisPlan, protocol: Protocol) -> ComparisonPlan | None:
    """Return the comparison of an analysis; None for a series."""
    if not plan.comparison:
        return None
    for comparison in protocol.comparisons:
        if comparison.id == plan.comparison:
            return comparison
    raise UnknownNameError(
        f"comparison of the protocol, in analysis {plan.id!r}",
        plan.comparison,
        [item.id for item in protocol.comparisons],
    )


def title_of(term: OutcomeTerm, plan: AnalysisPlan, comparison: ComparisonPlan | None) -> str:
    """Return what an analysis is called: its outcome and its comparison or techniques."""
    subject = (
        comparison.label
        if comparison
        else f"{plan.techniques_label or ', '.join(plan.techniques)}, single-arm series"
    )
    return f"{term.label}: {subject[:1].lower() + subject[1:] if not subject[:2].isupper() else subject}"


def answer_sentence(
    task: Task,
    result: PoolResult,
    numbers: Sequence[StudyNumbers],
    comparison: ComparisonPlan | None,
    sides: Directions,
) -> str:
    """Return the sentence that tells an answer: direction and size, or how often after one technique."""
    measure, scale = task.measure, task.plan.scale
    if comparison is not None:
        unit = unit_words(measure, task.term)
        return comparison_sentence(result, measure, scale, sides, comparison, unit, len(numbers))
    thumbs = sum(side.numbers.get(measure.kind.size, 0.0) for study in numbers for side in study.sides)
    label = task.plan.techniques_label or ", ".join(task.plan.techniques)
    return series_sentence(result, measure, scale, task.term, label, thumbs, task.question.window.label)


def unit_words(measure: Measure, term: OutcomeTerm) -> str:
    """Return the unit behind a number, with its space; empty without one."""
    unit = measure.unit_for(term.unit)
    return f" {unit}" if unit else ""
