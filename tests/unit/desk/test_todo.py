"""The next step is the first open one on a review's way, and never on a page that is not there."""

from __future__ import annotations

from dataclasses import replace

from metakit.desk.progress import Progress
from metakit.desk.standing import StudyStanding
from metakit.desk.todo import Work, steps

ALL = frozenset({"plan", "find", "extract", "agree", "trust", "certainty", "report"})
HANDED = ("handed_in", None)


def first(work: Work) -> str:
    return next((f"{step.what}: {step.left}" for step in steps(work)), "")


def test_the_way_of_a_review_from_nothing_to_the_report() -> None:
    work = Work(person="AB", pages=ALL, plan_open=3, to_screen=7, to_settle=2)
    assert first(work) == "Write the plan: 3 fields still asked for"
    work = replace(work, plan_open=0)
    assert first(work) == "Screen citations: 7 without your decision"
    work = replace(work, to_screen=0)
    assert first(work).startswith("Settle citations: 2")
    work = replace(work, to_settle=0)
    assert first(work) == "Extract the first study: no record yet"
    study = StudyStanding(id="S", label="Quillmere", name="S")
    study.typed["AB"] = ("unfinished", Progress(asked=41, typed=9))
    work = replace(work, studies=[study])
    assert first(work) == "Extract Quillmere: 9 of 41 fields"
    study.typed["AB"] = ("unfinished", Progress(asked=41, typed=41))
    assert next(iter(steps(work))).href == "/trust/S"  # a part of the record, judged before it is handed in
    study.trusted.add("AB")
    assert next(iter(steps(work))).href == "/extract/AB/S/hand-in"
    study.typed["AB"] = HANDED
    study.typed["CD"] = ("unfinished", Progress(asked=41, typed=9))
    assert first(work) == ""  # CD's turn
    study.typed["CD"] = HANDED
    assert first(work) == "Agree on Quillmere: both have handed in"
    study.record = "agreed"
    assert first(work) == "Judge Quillmere: no appraisal yet"
    study.judged = True
    assert first(replace(work, to_sign=1)) == (
        "Work out the answers: 1 planned question without a signature; some may have no answer"
    )
    assert first(replace(work, to_sign=1, signing_known=True)) == (
        "Judge how certain the evidence is: 1 without a signature that holds"
    )
    assert first(work) == "Make the report: none was made yet"
    work = replace(work, report_made=True)
    assert first(work) == ""
    again = first(replace(work, report_older=2))
    assert again == "Make the report again: 2 files that it rests on changed since it was made"


def test_nothing_leads_to_a_page_that_the_desk_does_not_have() -> None:
    study = StudyStanding(id="S", label="Q", name="S", record="agreed")
    work = Work(person="AB", studies=[study], plan_open=1, to_screen=1, to_settle=1, to_sign=1)
    assert list(steps(work)) == []


def test_the_second_persons_turn() -> None:
    study = StudyStanding(id="S", label="Q", name="S", typed={"CD": HANDED})
    assert first(Work(person="AB", studies=[study], pages=ALL)) == "Begin Q: CD extracts it too"
