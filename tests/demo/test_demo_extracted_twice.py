"""The demonstration review was extracted twice: exactly the planted disagreements are found, and settled."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import generate_demo
import pytest
import yaml
from invented.extractors import PLANTED

from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.review.check import check_paths
from metakit.review.history import history_questions, read_history
from metakit.review.reconciling.reconcile import reconcile
from metakit.review.reconciling.reconcile_review import Comparison, compare_review

FOLDER = Path(generate_demo.FOLDER)
FOUND = {(plant["study"], address): plant for plant in PLANTED["disagreements"] for address in plant["found"]}


@pytest.fixture(scope="module")
def comparison() -> Comparison:
    return compare_review(FOLDER)


@pytest.mark.lengthy
def test_each_planted_disagreement_is_found_and_nothing_else(comparison: Comparison) -> None:
    assert len(comparison.pairs) == 30 and not comparison.single
    found = {
        (one.item.study, one.item.address): [one.item.first.typed, one.item.second.typed]
        for one in comparison.asked
        if one.item.needs_decision
    }
    assert found == {
        (plant["study"], address): values
        for plant in PLANTED["disagreements"]
        for address, values in plant["found"].items()
    }
    wording = [(one.item.study, one.item.address) for one in comparison.asked if one.item.wording]
    assert wording == [(plant["study"], plant["field"]) for plant in PLANTED["wording"]]


def test_the_planted_kinds_are_those_of_real_life() -> None:
    assert len(PLANTED["disagreements"]) >= 15
    assert len({plant["kind"] for plant in PLANTED["disagreements"]}) == len(PLANTED["disagreements"])
    people = {person for plant in PLANTED["disagreements"] for person in plant["typed"]}
    assert people == {"AB", "CD"}
    assert {plant["settled"]["as"] for plant in PLANTED["disagreements"]} == {"AB", "CD", "other"}


@pytest.mark.parametrize("plant", PLANTED["habits"], ids=lambda plant: plant["why"])
def test_habits_of_typing_differ_in_the_files(plant: dict[str, Any]) -> None:
    one, other = (
        next((FOLDER / "extractors" / person).glob(f"{plant['study']}_*")).read_text(encoding="utf-8")
        for person in ("AB", "CD")
    )
    assert one.splitlines()[12:] != other.splitlines()[12:]


def test_agreed_records_are_the_reports_as_drawn() -> None:
    drawn = generate_demo.draw_all()
    for study in generate_demo.STUDIES:
        truth = as_text(generate_demo.record(study, drawn[study.id]))
        path = next((FOLDER / "records").glob(f"{study.id}_*.yaml"))
        agreed = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CBaseLoader)  # noqa: S506
        extraction, truth["extraction"] = agreed.pop("extraction"), None
        assert extraction["status"] == "agreed" and extraction["extractor"] == "AB and CD"
        truth.pop("extraction")
        assert agreed["appraisal"].pop("assessor") == "AB and CD"
        truth["appraisal"].pop("assessor")
        assert agreed == truth, study.id


def as_text(value: Any) -> Any:
    """Return a tree as BaseLoader would read it."""
    text = "\n".join(generate_demo.document((), value).splitlines())
    return yaml.load(text, Loader=yaml.CBaseLoader)  # noqa: S506


def test_the_history_is_whole_and_names_who_when_and_why() -> None:
    events, problems = read_history(FOLDER)
    assert problems == () and history_questions(FOLDER) == []
    assert events[0]["event"] == "plan_recorded"
    events = tuple(event for event in events if event["event"] == "reconciled")
    assert {event["study"] for event in events} == {f"DEMO-{number:02d}" for number in range(1, 31)}
    decided = {(event["study"], found["field"]): found for event in events for found in event["decisions"]}
    assert decided.keys() == FOUND.keys()
    for key, found in decided.items():
        settled = FOUND[key]["settled"]
        assert found["decision"] == settled["as"] and found["decided_by"] == settled["by"]
        assert found["decided_on"] == str(settled["date"]) and settled["why"] in found["reason"]
    kept = [(event["study"], field) for event in events for field in event["wording_kept"]]
    assert kept == [(plant["study"], plant["field"]) for plant in PLANTED["wording"]]


@pytest.mark.lengthy
def test_both_extractors_records_hold_no_error() -> None:
    for path in sorted((FOLDER / "extractors").rglob("*.yaml")):
        reading = read_record(path, shipped())
        assert [str(problem) for problem in reading.problems if problem.severity == "error"] == []
        assert reading.group is not None and reading.group.text("extraction.status") == "single"


@pytest.mark.walk
def test_reconciling_again_changes_nothing_and_a_change_by_hand_is_seen(tmp_path: Path) -> None:
    folder = tmp_path / "review"
    shutil.copytree(FOLDER, folder)
    before = {path: path.read_bytes() for path in folder.rglob("*.*")}
    done = reconcile(compare_review(folder), folder / "reconcile" / "decisions.csv")
    assert done.written == () and len(done.unchanged) == 30
    assert {path: path.read_bytes() for path in before} == before
    record = next((folder / "records").glob("DEMO-01_*"))
    record.write_text(
        record.read_text(encoding="utf-8").replace("mean: 4.57", "mean: 4.75"), encoding="utf-8"
    )
    questions = [problem for problem in check_paths([folder]).problems if problem.file == str(record)]
    assert len(questions) == 1 and "changed by hand since DEMO-01" in questions[0].what
