"""What an answer cannot bear: cautions that depend on its studies, its measure and its outcome."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.results import PoolResult
from metakit.core.written import count, listed
from metakit.errors import Problem
from metakit.measures.kind import HAZARDS, MEANS, RATES, SURVIVAL
from metakit.measures.registry import Measure
from metakit.review.extraction import AGREED
from metakit.synthesis.definitions import definition_notes
from metakit.synthesis.gathering.rows import StudyNumbers
from metakit.synthesis.gathering.windows import time_of
from metakit.synthesis.terms import OutcomeTerm, implants_that_wear

FEWEST_STUDIES = 5
FEWEST_EVENTS = 10
WEAR_MONTHS = 24.0
MOST_NAMES = 5
SPREAD_RULES = ("standard_error_as_deviation", "spread_beside_others", "weight_of_a_slip")
"""Rules whose open questions ask whether a standard deviation is a standard error."""


def cautions_for(
    result: PoolResult | None,
    measure: Measure,
    term: OutcomeTerm,
    numbers: Sequence[StudyNumbers],
    techniques: Sequence[str],
    differing: str = "",
) -> tuple[str, ...]:
    """Return the cautions of one answer, the gravest first (common practice, no source).

    Parameters
    ----------
    result : PoolResult or None
        The headline; without one there is nothing to caution about.
    measure, term : Measure, OutcomeTerm
        What was asked.
    numbers : sequence of StudyNumbers
        The studies in the answer.
    techniques : sequence of str
        All techniques of the question.
    differing : str
        Which studies' arms differ in more than what is compared, in words.
    """
    if result is None:
        return ()
    found = [*_few(result, measure, numbers), *not_agreed(numbers)]
    if definition_notes(numbers):
        found.append(
            "The studies do not count this outcome alike. What counts as a complication or a revision can "
            "change the "
            "answer several-fold: read the definitions below before the number."
        )
    if not measure.comparative:
        found.append("A pool of single-arm series cannot show that one technique is better than another.")
    elif any(study.study.design_group != "randomised" for study in numbers):
        found.append(
            "Studies without randomisation are included: the difference may come from who was operated on, "
            "by whom and "
            "why, rather than from the technique."
        )
    if differing:
        found.append(differing)
    if measure.kind is RATES:
        found.append(
            "A rate treats all years alike. Early failure, wear and loosening come at different times, so "
            "do not "
            "multiply a rate by years that the studies did not see."
        )
    if measure.kind is HAZARDS:
        found.append(
            "A hazard ratio is one number for all of follow-up. Early failure, wear and loosening come at "
            "different times, so it depends on how long the studies followed, and curves that cross can hide "
            "in it."
        )
    if any(study.ready for study in numbers) and measure.kind is not HAZARDS:
        found.append(
            "Some effects were taken as their reports give them: what was adjusted for, and how, differs "
            "between reports."
        )
    if measure.kind is SURVIVAL:
        found.append(
            "Survival leaves out those lost to follow-up as if they did as well as the others; who did badly "
            "elsewhere is not in it. What counts as failure differs between reports."
        )
    if term.family == "reoperation":
        found.append(
            "When to operate again differs between surgeons, patients and health systems; few revisions "
            "may also mean "
            "reluctance to revise."
        )
    if _short_for_implants(numbers, techniques):
        found.append("Follow-up under two years says nothing about the wear of an implant.")
    if term.surrogate:
        found.append(
            "This is a measurement that patients do not feel; it should not decide between techniques."
        )
    if term.kind == "continuous":
        found.append(
            "Smallest important differences describe the change of one patient. A smaller difference "
            "between the means of "
            "two groups can still mean that more patients do well, and a larger one does not mean that all "
            "do."
        )
    return tuple(found)


def total_events(numbers: Sequence[StudyNumbers]) -> float:
    """Return the events of all studies as typed."""
    return sum(side.numbers.get("events", 0.0) for study in numbers for side in study.sides)


def _few(result: PoolResult, measure: Measure, numbers: Sequence[StudyNumbers]) -> list[str]:
    reasons = []
    if result.k < FEWEST_STUDIES:
        which = " that can tell it" if result.k < len(numbers) else ""
        reasons.append(f"only {count(result.k, 'study', 'studies')}{which}")
    events = total_events(numbers)
    known = all("events" in side.numbers for study in numbers for side in study.sides)
    if known and measure.kind is not MEANS and events < FEWEST_EVENTS:
        reasons.append(f"only {count(round(events), 'event')}")
    if not reasons:
        return []
    found = [f"The interval is unreliable: {' and '.join(reasons)}. One more study could change the answer."]
    if result.k == 2 and result.heterogeneity.tau2 is None:
        found.append("Two studies cannot show how much centres differ; the answer assumes that they do not.")
    if result.prediction is not None and result.k < FEWEST_STUDIES:
        found.append(
            "A prediction interval from fewer than five studies is hardly more than a reminder that "
            "studies differ."
        )
    return found


def not_agreed(numbers: Sequence[StudyNumbers]) -> list[str]:
    """Say which numbers rest on one person's typing; nothing is pooled from them in silence."""
    names = list(dict.fromkeys(study.name for study in numbers if study.study.status != AGREED))
    if not names:
        return []
    shown = names if len(names) <= MOST_NAMES else [*names[:MOST_NAMES], f"{len(names) - MOST_NAMES} more"]
    return [
        f"The numbers of {len(names)} of {count(len(numbers), 'study', 'studies')} here were typed by one "
        f"person, or by two who have not agreed, so a slip may have gone unnoticed: {listed(shown)}."
    ]


def doubted_spreads(
    result: PoolResult | None, outcome: str, numbers: Sequence[StudyNumbers], questions: Sequence[Problem]
) -> tuple[str, ...]:
    """Say which studies' spreads are in question in an answer, and what they weigh in it as typed.

    Parameters
    ----------
    result : PoolResult or None
    outcome : str
        Id of the outcome.
    numbers : sequence of StudyNumbers
        The studies in the answer.
    questions : sequence of Problem
        All open questions of the review, with files within its folder.
    """
    found = []
    for study in numbers:
        asked = any(
            problem.severity == "question"
            and problem.rule in SPREAD_RULES
            and problem.file == study.study.file
            and f"/{outcome}/" in problem.address
            for problem in questions
        )
        if not asked or result is None:
            continue
        weight = next((row.weight for row in result.studies if row.study == study.name), None)
        share = f" It carries {100 * weight:.0f} % of the weight as typed." if weight is not None else ""
        found.append(
            f"Open question: is the standard deviation of {study.name} a standard error?{share} Until "
            "somebody answers from the report, this answer may rest on a slip."
        )
    return tuple(found)


def _short_for_implants(numbers: Sequence[StudyNumbers], techniques: Sequence[str]) -> bool:
    times = [
        time_of(part.value, part.arm.follow_up)
        for study in numbers
        for side in study.sides
        for part in side.arms
    ]
    return implants_that_wear(techniques) and any(time is not None and time < WEAR_MONTHS for time in times)
