"""What is tried equals what the report computes for the same question, and is never the planned answer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.errors import UnknownNameError, UsageError
from metakit.review.folder import ReviewFolder
from metakit.synthesis.analysis import analyse
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.returning.returns import with_return_outcomes
from metakit.synthesis.tried import Choice, OneEvent, Trials
from tests import demonstration

ANALYSIS = "nerve_lrti"


@pytest.fixture(scope="module")
def review() -> ReviewFolder:
    return demonstration.review()


def trials_of(review: ReviewFolder, analysis: str) -> Trials:
    plan = next(plan for plan in review.protocol.analyses if plan.id == analysis)
    studies = tuple(map(with_return_outcomes, review.studies))
    return Trials(plan, review.protocol, studies, display_names(review.studies))


@pytest.fixture(scope="module")
def trials(review: ReviewFolder) -> Trials:
    return trials_of(review, ANALYSIS)


@pytest.fixture(scope="module")
def finding(review: ReviewFolder, trials: Trials) -> AnalysisFinding:
    return analyse(trials.plan, review.protocol, trials.studies, trials.names)


def numbers(finding: AnalysisFinding) -> tuple[float, ...]:
    assert finding.result is not None
    return (finding.result.estimate, *finding.result.interval)


@pytest.mark.lengthy
def test_the_planned_answer_is_that_of_the_report(trials: Trials, finding: AnalysisFinding) -> None:
    assert numbers(trials.planned) == numbers(finding)
    assert trials.planned.sentences[0] == finding.sentences[0]
    assert trials.planned.absolute == finding.absolute


@pytest.mark.lengthy
def test_each_study_left_out_gives_the_report_s_number(trials: Trials, finding: AnalysisFinding) -> None:
    facts = finding.varied("without_study")
    assert len(facts) >= 4
    for fact in facts:
        found = trials.tried(Choice(leave_out=frozenset({fact.name})))
        assert fact.result is not None
        assert numbers(found) == (fact.result.estimate, *fact.result.interval)
        assert fact.label not in [row.study for row in found.result.studies]  # type: ignore[union-attr]
        assert trials.words(Choice(leave_out=frozenset({fact.name}))) == (f"without {fact.label}",)


@pytest.mark.lengthy
def test_models_and_definitions_give_the_report_s_numbers(trials: Trials, finding: AnalysisFinding) -> None:
    offered = {name for name, _ in trials.offer().models}
    checked = 0
    for fact in finding.sensitivity:
        if fact.name in offered:
            found = trials.tried(Choice(model=fact.name))
        elif fact.name.startswith("definition_") and fact.name != "definition_not_stated":
            found = trials.tried(Choice(definition=fact.name.removeprefix("definition_")))
        else:
            continue
        checked += 1
        if fact.result is None:
            assert found.result is None
        else:
            assert numbers(found) == (fact.result.estimate, *fact.result.interval)
    assert checked >= 2


def test_one_event_more_is_the_answer_of_records_with_one_event_more(
    review: ReviewFolder, trials: Trials
) -> None:
    study, arm, words, events, total = trials.offer().arms[0]
    choice = Choice(event=OneEvent(study=study, arm=arm, change=1))
    found = trials.tried(choice)
    assert numbers(found) != numbers(trials.planned)
    assert trials.words(choice) == (f"one event more in {words}: {events + 1} of {total}",)
    used = next(
        part.value
        for item in trials.gathered.studies if item.study.id == study
        for side in item.sides for part in side.arms if part.arm.id == arm
    )  # fmt: skip
    changed = tuple(
        replace(record, outcomes=tuple(
            replace(value, events=events + 1) if value == used else value for value in record.outcomes
        ))
        for record in trials.studies
    )  # fmt: skip
    again = Trials(trials.plan, review.protocol, changed, trials.names)
    assert numbers(found) == pytest.approx(numbers(again.planned), abs=1e-12)


def test_the_planned_answer_stays_what_it_was(trials: Trials) -> None:
    before = numbers(trials.planned)
    trials.tried(Choice(model="common_effect"))
    assert numbers(trials.planned) == before
    assert trials.tried(Choice()) is trials.planned


def test_all_studies_left_out_is_no_answer_with_its_reason(trials: Trials) -> None:
    everything = frozenset(id_ for id_, _ in trials.offer().studies)
    found = trials.tried(Choice(leave_out=everything))
    assert found.result is None
    assert found.sentences[0].startswith("No answer: ")


@pytest.mark.parametrize(
    ("choice", "error"),
    [
        (Choice(leave_out=frozenset({"DEMO-99"})), UnknownNameError),
        (Choice(model="guess"), UnknownNameError),
        (Choice(event=OneEvent(study="DEMO-01", arm="Z", change=1)), UsageError),
        (Choice(event=OneEvent(study="DEMO-01", arm="A", change=7)), UsageError),
    ],
)
def test_what_is_not_there_cannot_be_tried(trials: Trials, choice: Choice, error: type[Exception]) -> None:
    with pytest.raises(error):
        trials.tried(choice)


def test_an_arm_without_events_has_none_less(review: ReviewFolder) -> None:
    for plan in review.protocol.analyses:
        trials = trials_of(review, plan.id)
        empty = next((row for row in trials.offer().arms if row[3] == 0), None)
        if empty is not None:
            with pytest.raises(UsageError, match="-1 events"):
                trials.tried(Choice(event=OneEvent(study=empty[0], arm=empty[1], change=-1)))
            return
    pytest.fail("no arm without events in the demonstration")
