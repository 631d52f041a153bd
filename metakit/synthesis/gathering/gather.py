"""From records to the numbers of one analysis: arms, times, units, definitions, cohorts.

Nothing is dropped in silence: a study with the right arms either enters, or is set aside with its reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from metakit.core.notes import Assumption, SetAside
from metakit.core.plans import AnalysisPlan, Protocol
from metakit.core.records import Arm, StudyRecord
from metakit.core.values import OutcomeValue
from metakit.measures.kind import HAZARDS, MEANS, RATES, SURVIVAL, Kind
from metakit.measures.registry import Measure
from metakit.synthesis.gathering.arm_groups import combined
from metakit.synthesis.gathering.arms import comparison_candidates, series_candidates
from metakit.synthesis.gathering.cohorts import one_report_per_cohort
from metakit.synthesis.gathering.counts import events_and_total
from metakit.synthesis.gathering.dependence import with_design_effect
from metakit.synthesis.gathering.eligible import Question, eligible_values, status_of, values_of
from metakit.synthesis.gathering.gather_ready import adjustment_notes, ready_numbers
from metakit.synthesis.gathering.kinds import one_kind_across, one_kind_within
from metakit.synthesis.gathering.means import mean_and_spread
from metakit.synthesis.gathering.rates import events_and_time
from metakit.synthesis.gathering.rows import (
    ArmNumbers,
    Candidate,
    Choices,
    EligibleSide,
    Gathered,
    MissingRow,
    SideNumbers,
    StudyNumbers,
    UnusableError,
)
from metakit.synthesis.gathering.time_to_event import survival_and_error
from metakit.synthesis.gathering.windows import (
    LAST,
    choose_times,
    describe_times,
    time_words,
    times_differ,
    window,
)
from metakit.synthesis.terms import OutcomeTerm


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One analysis with all that it needs to gather its numbers.

    `likelihood` is that of the analysis as a whole, once it is known: parts and variations of it keep it.
    They go without what stands `beside` the headline; those of which one interval is told, without the other
    `intervals` of their model.
    """

    plan: AnalysisPlan
    protocol: Protocol
    measure: Measure
    term: OutcomeTerm
    window: str
    choices: Choices
    likelihood: str = ""
    beside: bool = True
    intervals: bool = True

    @property
    def kind(self) -> Kind:
        """Kind of numbers."""
        return self.measure.kind

    @property
    def question(self) -> Question:
        """What the analysis asks of each arm."""
        any_time = self.kind.any_time
        return Question(
            term=self.term,
            window=window(LAST if any_time else self.window),
            rates=any_time,
            survival=self.kind is SURVIVAL,
            only_definition=self.choices.only_definition,
        )


def gather(task: Task, studies: Sequence[StudyRecord], names: Mapping[str, str]) -> Gathered:
    """Collect the numbers of every study that answers an analysis.

    Returns
    -------
    Gathered
        One `StudyNumbers` a study that can be used, at most one report a cohort; the studies with the right
        arms that cannot, with the reason of each; notes on arms and times that were not used.
    """
    if task.plan.comparison:
        comparison = next(item for item in task.protocol.comparisons if item.id == task.plan.comparison)
        found = comparison_candidates(comparison, task.measure, studies, dict(names))
    else:
        found = series_candidates(task.plan, studies, dict(names))
    return gather_candidates(task, found)


def gather_candidates(task: Task, found: Gathered) -> Gathered:
    """Collect the numbers of candidates; what `found` set aside and noted stays with the answer."""
    usable: list[StudyNumbers] = []
    aside = list(found.set_aside)
    missing: list[MissingRow] = []
    for candidate in found.candidates:
        try:
            usable.append(_numbers_as_planned(candidate, task))
        except UnusableError as reason:
            aside.append(SetAside(study=candidate.name, reason=str(reason)))
            status = _candidate_status(candidate, task.term.id)
            if status in {"not_reported", "measured_not_reported"}:
                missing.append(MissingRow(study=candidate.name, status=status, reason=str(reason)))
    usable, other_kind, kind_notes = one_kind_across(usable, task.measure)
    chosen, overlap, overlap_notes = one_report_per_cohort(usable, task.question.window)
    own = [note for study in chosen for note in study.notes]
    notes = [*found.notes, *adjustment_notes(chosen), *kind_notes, *overlap_notes, *own]
    return Gathered(
        studies=tuple(chosen),
        candidates=found.candidates,
        set_aside=(*aside, *other_kind, *overlap),
        missing=tuple(missing),
        notes=tuple(notes),
    )


def _candidate_status(candidate: Candidate, outcome: str) -> str:
    """Return the worse status of the two sides: an outcome of one arm only is no result."""
    order = ("reported", "reported_zero", "measured_not_reported", "not_reported")
    sides = [
        status_of([value for arm in side for value in values_of(candidate.study, arm, outcome)])
        for side in candidate.sides
    ]
    return max(sides, key=order.index)


def _numbers_as_planned(candidate: Candidate, task: Task) -> StudyNumbers:
    """Return a study by its arms' numbers or by a ready effect, in the order that the plan asks for."""
    reasons: list[str] = []
    for way in _ways(task):
        try:
            if way == "arms":
                return _numbers_of(candidate, task)
            return ready_numbers(candidate, task.measure, task.question, task.choices, way)
        except UnusableError as reason:
            reasons.append(str(reason))
    if not task.choices.adjusted and _gives_ready(candidate, task):
        reasons.append(
            f"the report gives a {task.measure.label} itself, which 'adjusted' in the plan would let in"
        )
    raise UnusableError("; ".join(dict.fromkeys(reasons)))


def _ways(task: Task) -> tuple[Literal["arms", "adjusted", "unadjusted"], ...]:
    crude: tuple[Literal["arms", "unadjusted"], ...] = ("arms", "unadjusted")
    if task.kind is HAZARDS:
        crude = ("unadjusted",)
    match task.choices.adjusted:
        case "":
            return ("arms",)
        case "only":
            return ("adjusted",)
        case "never":
            return crude
        case "prefer":
            return ("adjusted", *crude)


def _gives_ready(candidate: Candidate, task: Task) -> bool:
    for way in ("adjusted", "unadjusted"):
        try:
            ready_numbers(candidate, task.measure, task.question, task.choices, way)
        except UnusableError:
            continue
        return True
    return False


def _numbers_of(candidate: Candidate, task: Task) -> StudyNumbers:
    study, name = candidate.study, candidate.name
    eligible, left_out = _eligible_sides(candidate, task)
    flat = [(arm, values) for side in eligible for arm, values in side]
    chosen = iter(
        choose_times([values for _, values in flat], task.question.window, [arm.follow_up for arm, _ in flat])
    )
    sides: list[SideNumbers] = []
    steps: list[Assumption] = [
        Assumption(study=name, rule="arm left out of its side", inputs=reason) for reason in left_out
    ]
    for side in eligible:
        parts = tuple(_arm_numbers(name, study, arm, next(chosen), task) for arm, _ in side)
        steps += [step for part in parts for step in part.assumptions]
        sides.append(_combined(name, parts, task, steps))
    notes = _time_notes(candidate, sides, task)
    return StudyNumbers(study=study, name=name, sides=tuple(sides), assumptions=tuple(steps), notes=notes)


def _eligible_sides(candidate: Candidate, task: Task) -> tuple[list[EligibleSide], list[str]]:
    """Return the arms of each side with the values that fit; one without any goes if its side has others."""
    sides: list[EligibleSide] = []
    left_out: list[str] = []
    refused: list[str] = []
    for arms in candidate.sides:
        side: EligibleSide = []
        reasons: list[str] = []
        for arm in arms:
            try:
                side.append((arm, _usable_values(candidate, arm, task)))
            except UnusableError as reason:
                reasons.append(str(reason))
        (left_out if side else refused).extend(reasons)
        sides.append(side)
    if refused:
        raise UnusableError("; ".join(refused))
    return one_kind_within(sides), left_out


def usable_sides(candidate: Candidate, task: Task) -> tuple[tuple[tuple[Arm, ...], ...], list[str]]:
    """Return the sides of a candidate that have numbers for the question, and the reasons of the others."""
    kept: list[tuple[Arm, ...]] = []
    reasons: list[str] = []
    for side in candidate.sides:
        try:
            _eligible_sides(replace(candidate, sides=(side,)), task)
        except UnusableError as reason:
            reasons.append(str(reason))
        else:
            kept.append(side)
    return tuple(kept), reasons


def _usable_values(candidate: Candidate, arm: Arm, task: Task) -> tuple[OutcomeValue, ...]:
    """Return the values of an arm that fit the question and give numbers, or the reasons why none does."""
    usable: list[OutcomeValue] = []
    reasons: list[str] = []
    for value in eligible_values(candidate.study, arm, task.question):
        try:
            _arm_numbers(candidate.name, candidate.study, arm, value, task)
        except UnusableError as reason:
            reasons.append(str(reason))
        else:
            usable.append(value)
    if not usable:
        raise UnusableError("; ".join(dict.fromkeys(reasons)))
    return tuple(usable)


def _arm_numbers(name: str, study: StudyRecord, arm: Arm, value: OutcomeValue, task: Task) -> ArmNumbers:
    choices = task.choices
    if task.kind is SURVIVAL:
        numbers, effective, log = survival_and_error(name, arm, value, icc=choices.icc)
        return ArmNumbers(arm=arm, value=value, numbers=numbers, effective=effective, assumptions=tuple(log))
    if task.kind is MEANS:
        numbers, log = mean_and_spread(name, study, arm, value, choices)
    else:
        others = [
            other
            for other in study.outcomes
            if other.arm == arm.id
            and (other.months, other.time_label) == (value.months, value.time_label)
            and task.term.includes(other.outcome)
        ]
        derive = events_and_time if task.kind is RATES else events_and_total
        numbers, log = derive(name, arm, value, others, choices)
    effective, steps = with_design_effect(
        name, arm, value, numbers, icc=choices.icc, comparative=task.measure.comparative
    )
    if value.conversion:
        log.insert(
            0, Assumption(study=name, rule="unit converted", inputs=f"{arm.label}: {value.conversion}")
        )
    return ArmNumbers(arm=arm, value=value, numbers=numbers, effective=effective, assumptions=(*log, *steps))


def _combined(name: str, parts: tuple[ArmNumbers, ...], task: Task, steps: list[Assumption]) -> SideNumbers:
    if len(parts) == 1:
        return SideNumbers(arms=parts, numbers=parts[0].numbers, effective=parts[0].effective)
    if task.kind is SURVIVAL:
        raise UnusableError(
            f"survival of several arms ({', '.join(part.arm.label for part in parts)}) cannot be made one "
            "without the single thumbs; a rate per thumb-year can"
        )
    typed = combined(task.kind, [part.numbers for part in parts])
    effective = combined(task.kind, [part.effective for part in parts])
    step = typed.assumption(name)
    labels = " + ".join(part.arm.label for part in parts)
    rule = "arms of one side combined, so that no thumb is counted twice"
    steps.append(
        Assumption(study=name, rule=rule, inputs=f"{labels}: {step.inputs}", reference=step.reference)
    )
    return SideNumbers(arms=parts, numbers=typed.value, effective=effective.value)


def _time_notes(candidate: Candidate, sides: Sequence[SideNumbers], task: Task) -> tuple[str, ...]:
    notes: list[str] = []
    used = [value for side in sides for value in side.values]
    words = dict.fromkeys(time_words(value) for value in used)
    if task.kind is not RATES and times_differ(
        [(part.value, part.arm.follow_up) for side in sides for part in side.arms]
    ):
        notes.append(f"{candidate.name}: the arms are compared at different times ({' and '.join(words)}).")
    others = [
        value
        for arms in candidate.sides
        for arm in arms
        for value in values_of(candidate.study, arm, task.term.id)
        if value not in used and value.reporting in {"reported", "reported_zero"}
    ]
    unused = [value for value in others if time_words(value) not in words]
    if unused:
        notes.append(
            f"{candidate.name}: {describe_times(used)} used; also reported and not used: "
            f"{describe_times(unused)}."
        )
    return tuple(notes)
