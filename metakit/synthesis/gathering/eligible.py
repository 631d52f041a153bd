"""Which typed values of an arm can enter an analysis, and the reason where none can."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.records import Arm, StudyRecord
from metakit.core.values import OutcomeValue
from metakit.synthesis.gathering.rows import UnusableError
from metakit.synthesis.gathering.windows import Window, describe_times, in_window, is_wide
from metakit.synthesis.terms import OutcomeTerm, definition_label

STATUS_WORDS = {
    "reported": "reported",
    "reported_zero": "reported: none",
    "measured_not_reported": "measured, not reported",
    "not_reported": "not reported",
}
"""What a report does with an outcome, in words; `reported: none` is a typed zero, never silence."""

_BEST_FIRST = tuple(STATUS_WORDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What an analysis asks of each arm: the outcome, when, and whether time is accounted for otherwise.

    `rates`: any length of follow-up counts; `survival`: uneven follow-up is accounted for at the stated time.
    """

    term: OutcomeTerm
    window: Window
    rates: bool
    survival: bool = False
    only_definition: str = ""

    def accepts(self, definition: str) -> bool:
        """Say whether a mapped definition fits the question."""
        return self.term.accepts(definition) and self.only_definition in {"", definition}


def values_of(study: StudyRecord, arm: Arm, outcome: str) -> tuple[OutcomeValue, ...]:
    """Return all values of one outcome of one arm that were typed for a time after the operation."""
    return tuple(
        value
        for value in study.outcomes
        if value.arm == arm.id
        and value.outcome == outcome
        and value.kind != "baseline"
        and value.time_label != "before_surgery"
    )


def status_of(values: Sequence[OutcomeValue]) -> str:
    """Return what the report does with an outcome: the best of its values, `not_reported` without any."""
    found = {value.reporting for value in values}
    return next((status for status in _BEST_FIRST if status in found), "not_reported")


def eligible_values(study: StudyRecord, arm: Arm, question: Question) -> tuple[OutcomeValue, ...]:
    """Return the values of an arm that fit the question.

    Raises
    ------
    UnusableError
        When there is none, with the first reason that left nothing: not reported, outside the time
        window, follow-up too uneven for a time point, unit unclear, another definition.
    """
    values = values_of(study, arm, question.term.id)
    shown = tuple(value for value in values if value.reporting in {"reported", "reported_zero"})
    if not shown:
        raise UnusableError(f"{arm.label}: {STATUS_WORDS[status_of(values)]}")
    follow_up = arm.follow_up
    left = shown
    if not question.rates:
        left = _keep(
            [value for value in left if in_window(value, question.window, follow_up)],
            f"{arm.label}: reported at {describe_times(left)} only, outside the window of "
            f"{question.window.label}",
        )
        left = _keep(
            [value for value in left if question.survival or not is_wide(value, follow_up)],
            f"{arm.label}: follow-up from {follow_up.shortest} to {follow_up.longest} months is no time "
            f"point; "
            "such a study enters rates per thumb-year only",
        )
    left = _keep(
        [value for value in left if not value.unusable],
        f"{arm.label}: {'; '.join(dict.fromkeys(value.unusable for value in left if value.unusable))}",
    )
    left = _keep(
        [value for value in left if value.unit_of_analysis != "unclear"],
        f"{arm.label}: the report does not say whether thumbs or patients are counted",
    )
    others = ", ".join(dict.fromkeys(definition_label(value.definition) for value in left))
    return _keep(
        [value for value in left if question.accepts(value.definition)],
        f"{arm.label}: another definition ({others})",
    )


def _keep(values: Sequence[OutcomeValue], reason_if_none: str) -> tuple[OutcomeValue, ...]:
    if not values:
        raise UnusableError(reason_if_none)
    return tuple(values)
