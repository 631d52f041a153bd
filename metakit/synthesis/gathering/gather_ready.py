"""Which effect that a report gives ready enters an analysis, and with what it is logged.

Adjusted and unadjusted effects are told apart everywhere; one pair of arms a study, one time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from metakit.core.notes import Assumption
from metakit.core.records import Arm, ContrastValue
from metakit.core.values import FollowUp, OutcomeValue
from metakit.core.written import listed
from metakit.errors import MetakitError
from metakit.measures.kind import HAZARDS
from metakit.measures.registry import Measure
from metakit.synthesis.gathering.dependence import inflated_error
from metakit.synthesis.gathering.eligible import Question, values_of
from metakit.synthesis.gathering.reported_effects import READY_MEASURES, Counts, Ready, ready_effect
from metakit.synthesis.gathering.rows import (
    ArmNumbers,
    Candidate,
    Choices,
    SideNumbers,
    StudyNumbers,
    UnusableError,
)
from metakit.synthesis.gathering.windows import choose_times, describe_times, in_window, is_wide
from metakit.synthesis.terms import definition_label

Adjustment = Literal["adjusted", "unadjusted"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """A contrast with its arms in the order of the question; `turned` when the report has them reversed."""

    contrast: ContrastValue
    arms: tuple[Arm, Arm]
    values: tuple[OutcomeValue, OutcomeValue]
    turned: bool


def ready_columns(measure: Measure, ready: Ready) -> dict[str, float]:
    """Return a ready effect under the names that the effect table of its measure takes."""
    first = "log_hazard_ratio" if measure.kind is HAZARDS else "effect"
    return {first: ready.effect, "standard_error": ready.standard_error}


def ready_numbers(
    candidate: Candidate, measure: Measure, question: Question, choices: Choices, kind: Adjustment
) -> StudyNumbers:
    """Return a study by an effect that its report gives ready.

    Parameters
    ----------
    candidate : Candidate
        A comparative study with its arms by side.
    measure, question : Measure, Question
        What is asked. Hazard ratios take the longest follow-up, others the time nearest the window's target.
    choices : Choices
        With the correlation of thumbs: the standard error is inflated where patients have two of them.
    kind : {"adjusted", "unadjusted"}
        Which effects may enter.

    Raises
    ------
    UnusableError
        With the reason, where no effect of this kind can enter.

    References
    ----------
    Cochrane Handbook, section 23.1.5 (inflated standard errors); 24.6.1 (adjusted effects).
    """
    if measure.name not in READY_MEASURES:
        raise UnusableError(f"no report gives a {measure.label} ready")
    every = _pairs(candidate, measure, question)
    if not every:
        raise UnusableError(f"the report gives no {measure.label} of these arms")
    fitting = [pair for pair in every if bool(pair.contrast.adjusted_for) == (kind == "adjusted")]
    if not fitting:
        raise UnusableError(f"the report gives no {kind} {measure.label}")
    pair, unused = _nearest(_in_time(fitting, question), question)
    log: list[Assumption] = []
    ready = _effect(candidate, pair, measure, log)
    error, steps = inflated_error(
        candidate.name, pair.arms, pair.values, ready.standard_error, icc=choices.icc
    )
    ready, log = Ready(ready.effect, error), [*log, *steps]
    sides = tuple(
        SideNumbers(arms=(ArmNumbers(arm=arm, value=value, numbers=numbers, effective=numbers),),
                    numbers=numbers, effective=numbers)
        for arm, value in zip(pair.arms, pair.values, strict=True)
        for numbers in (_counts(arm, value),)
    )  # fmt: skip
    return StudyNumbers(
        study=candidate.study,
        name=candidate.name,
        sides=sides,
        assumptions=tuple(log),
        notes=tuple(_notes(candidate, pair, unused)),
        ready=ready_columns(measure, ready),
        ready_measure=measure.name,
        adjusted_for=pair.contrast.adjusted_for,
    )


def adjustment_notes(studies: Sequence[StudyNumbers]) -> list[str]:
    """Say which studies enter by adjusted effects, and whether they stand beside unadjusted ones."""
    adjusted = [f"{study.name} ({study.adjusted_for})" for study in studies if study.adjusted_for]
    others = [study.name for study in studies if not study.adjusted_for]
    if not adjusted:
        return []
    if not others:
        return [f"All effects are adjusted, each for other things: {listed(adjusted)}."]
    return [
        f"Adjusted and unadjusted effects are pooled together: adjusted in {listed(adjusted)}; unadjusted in "
        f"{listed(others)}. The table of other choices shows each alone."
    ]


def _pairs(candidate: Candidate, measure: Measure, question: Question) -> list[_Pair]:
    found = []
    sides = [{arm.id: arm for arm in side} for side in candidate.sides]
    for contrast in candidate.study.contrasts:
        if contrast.outcome != question.term.id or contrast.measure != measure.name:
            continue
        if contrast.time_label == "before_surgery":
            continue
        named = (contrast.arm, contrast.comparator)
        for turned, (one, other) in ((False, named), (True, named[::-1])):
            if one in sides[0] and other in sides[1]:
                arms = (sides[0][one], sides[1][other])
                values = tuple(_value(candidate, arm, contrast, question) for arm in arms)
                found.append(
                    _Pair(contrast=contrast, arms=arms, values=(values[0], values[1]), turned=turned)
                )
    return found


def _value(candidate: Candidate, arm: Arm, contrast: ContrastValue, question: Question) -> OutcomeValue:
    """Return the arm's own entry for the contrast, else an entry that says no more than the contrast does."""
    own = values_of(candidate.study, arm, question.term.id)
    at_time = [v for v in own if (v.months, v.time_label) == (contrast.months, contrast.time_label)]
    if not at_time and not contrast.time_label:
        at_time = sorted(own, key=lambda value: value.months or 0.0)[-1:]
    if at_time:
        return replace(at_time[0], source=contrast.source or at_time[0].source)
    return OutcomeValue(
        arm=arm.id,
        outcome=contrast.outcome,
        months=contrast.months,
        time_label=contrast.time_label or "last_follow_up",
        unit_of_analysis="thumbs",
        reporting="reported",
        definition=next((value.definition for value in own), ""),
        author_definition=next((value.author_definition for value in own), ""),
        source=contrast.source,
    )


def _in_time(pairs: list[_Pair], question: Question) -> list[_Pair]:
    values = [value for pair in pairs for value in pair.values]
    kept = [pair for pair in pairs if all(question.accepts(value.definition) for value in pair.values)]
    if not kept:
        others = ", ".join(dict.fromkeys(definition_label(value.definition) for value in values))
        raise UnusableError(f"another definition ({others})")
    if question.rates:
        return kept
    timed = [pair for pair in kept if all(in_window(value, question.window, a) for value, a in _times(pair))]
    if not timed:
        times = describe_times(values)
        raise UnusableError(f"reported at {times} only, outside the window of {question.window.label}")
    even = [pair for pair in timed if not any(is_wide(value, a) for value, a in _times(pair))]
    if not even:
        raise UnusableError("follow-up is too uneven for a time point")
    return even


def _times(pair: _Pair) -> list[tuple[OutcomeValue, FollowUp]]:
    return [(value, arm.follow_up) for arm, value in zip(pair.arms, pair.values, strict=True)]


def _nearest(pairs: list[_Pair], question: Question) -> tuple[_Pair, list[_Pair]]:
    """Return the pair at the best time, and the others; two pairs of arms share patients and refuse."""
    arms = {(pair.arms[0].id, pair.arms[1].id) for pair in pairs}
    if len(arms) > 1:
        raise UnusableError(
            "effects of several pairs of its arms fit the question; they share patients or leave some out, "
            "and cannot be made one without the arms' own numbers"
        )
    follow_up = pairs[0].arms[0].follow_up
    (best,) = choose_times([[pair.values[0] for pair in pairs]], question.window, [follow_up])
    first = next(pair for pair in pairs if pair.values[0] is best)
    return first, [pair for pair in pairs if pair is not first]


def _effect(candidate: Candidate, pair: _Pair, measure: Measure, log: list[Assumption]) -> Ready:
    counts: Counts | None = None
    one, other = (_counts(arm, value) for arm, value in zip(pair.arms, pair.values, strict=True))
    if {"events", "total"} <= set(one) and {"events", "total"} <= set(other):
        counts = (other, one) if pair.turned else (one, other)
    try:
        found = ready_effect(pair.contrast, measure, counts)
    except MetakitError as error:
        raise UnusableError(str(error)) from error
    step = found.assumption(candidate.name)
    adjusted = pair.contrast.adjusted_for
    log.append(replace(step, rule=f"{step.rule}; adjusted for {adjusted}" if adjusted else step.rule))
    if not pair.turned:
        return found.value
    log.append(
        Assumption(
            study=candidate.name,
            rule="direction turned: the report gives the comparator against the technique",
            inputs=f"{pair.arms[1].label} against {pair.arms[0].label}; {found.value.effect:.6g} becomes "
            f"{-found.value.effect:.6g}{' on the log scale' if measure.scales[0].axis == 'log' else ''}",
        )
    )
    return Ready(-found.value.effect, found.value.standard_error)


def _counts(arm: Arm, value: OutcomeValue) -> dict[str, float]:
    """Return the typed events and thumbs of an arm, as far as they are known; they are shown, not pooled."""
    taken = arm.patients if value.unit_of_analysis == "patients" else arm.thumbs
    total = value.total if value.total is not None else value.n if value.n is not None else taken
    found = {} if not total else {"total": float(total)}
    if value.reporting == "reported_zero":
        return {"events": 0.0, **found}
    if value.events is not None and value.counted == "per_thumb":
        return {"events": float(value.events), **found}
    return found


def _notes(candidate: Candidate, pair: _Pair, unused: list[_Pair]) -> list[str]:
    notes = []
    left = [
        arm.label
        for side, used in zip(candidate.sides, pair.arms, strict=True)
        for arm in side
        if arm.id != used.id
    ]
    if left:
        notes.append(
            f"{candidate.name}: the reported effect compares {pair.arms[0].label} and {pair.arms[1].label} "
            f"alone; not in it: {', '.join(left)}."
        )
    if unused:
        times = describe_times(other.values[0] for other in unused)
        notes.append(f"{candidate.name}: further reported effects were not used ({times}).")
    return notes
