"""A question can be answered in the record; a value that changes afterwards opens it again."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.errors import Problem
from metakit.forms.addresses import Addresses
from metakit.forms.answers import values_of
from metakit.forms.library import shipped
from metakit.forms.record_text import record_text, same_nodes
from metakit.forms.record_workbooks.assembling import assemble
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.records import read_record
from metakit.forms.yaml_nodes import read_document
from metakit.review.check import check_paths, entries_to_answer
from metakit.review.reconciling.reconcile_match import combine

REVIEW = Path(__file__).parents[2] / "reference" / "forms" / "review"
TEXT = (REVIEW / "records" / "test_01.yaml").read_text(encoding="utf-8")
WRONG = TEXT.replace("percent: 13.3", "percent: 15")
ADDRESS = "outcomes[A/any_complication/12/months].percent"
SIGNED = f"""answered_questions:
  - rule: percent_matches_events
    field: "{ADDRESS}"
    values: "15; 4; 30; 13.33"
    answer: "page 5: 4 of 30; the percentage is of those seen at six weeks"
    answered_by: AB
    answered_on: 2026-05-06
"""


def read(text: str, folder: Path, name: str = "one.yaml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return read_record(path, shipped())


def found(text: str, folder: Path) -> list[Problem]:
    return [p for p in read(text, folder).problems if p.rule]


def test_an_open_question_carries_its_rule_and_address(tmp_path):
    (question,) = found(WRONG, tmp_path)
    assert (question.severity, question.rule) == ("question", "percent_matches_events")
    assert (question.field, question.address) == ("outcomes[1].percent", ADDRESS)
    assert str(question).endswith("[percent_matches_events]")
    assert values_of(question) == "15; 4; 30; 13.33"


def test_an_answer_closes_the_question_and_says_who_and_when(tmp_path):
    (answered,) = found(WRONG + SIGNED, tmp_path)
    assert answered.severity == "answered"
    assert answered.answer.endswith("six weeks (AB, 2026-05-06)")
    assert "answer: page 5: 4 of 30" in str(answered)
    assert read(WRONG + SIGNED, tmp_path).sound
    by_position = SIGNED.replace(ADDRESS, "outcomes[1].percent")
    assert [p.severity for p in found(WRONG + by_position, tmp_path)] == ["answered"]


@pytest.mark.parametrize(
    ("old", "new"),
    [("percent: 15", "percent: 16"), ("events: 4", "events: 5"), ("total: 30, event", "total: 29, event")],
)
def test_a_changed_value_opens_it_again(tmp_path, old, new):
    problems = [p for p in found(WRONG + SIGNED, tmp_path) if p.severity == "answered"]
    assert problems
    again = [
        p for p in found(WRONG.replace(old, new, 1) + SIGNED, tmp_path) if p.rule == "percent_matches_events"
    ]
    assert [p.severity for p in again] == ["question"]
    assert "answered by AB, 2026-05-06 when it was about 15; 4; 30; 13.33; now it is about" in again[0].hint


def test_other_lines_entries_and_order_change_nothing(tmp_path):
    entries = WRONG.replace(
        "outcomes:\n",
        "outcomes:\n  - {arm: B, outcome: crps, time: {label: last_follow_up}, unit_of_analysis: thumbs, reporting: not_reported}\n",
    )
    (answered,) = found("# a comment\n\n" + entries + SIGNED, tmp_path)
    assert answered.field == "outcomes[2].percent"
    assert answered.severity == "answered"


def test_an_answer_to_nothing_is_pointed_out(tmp_path):
    problems = read(TEXT + SIGNED, tmp_path).problems
    assert len(problems) == 1
    assert problems[0].severity == "question"
    assert "asks nothing about this field any more" in problems[0].what
    assert problems[0].field == "answered_questions[1].field"


def test_no_answer_makes_an_error_right(tmp_path):
    wrong = TEXT.replace("events: 4, total: 30", "events: 40, total: 30")
    signed = SIGNED.replace("percent_matches_events", "events_within_total").replace(".percent", ".events")
    reading = read(wrong + signed, tmp_path)
    assert any(p.severity == "error" and p.rule == "events_within_total" for p in reading.problems)
    assert not reading.sound


def test_a_half_signed_answer_is_an_error_and_answers_nothing(tmp_path):
    half = "".join(line for line in SIGNED.splitlines(keepends=True) if "answered_by" not in line)
    problems = read(WRONG + half, tmp_path).problems
    assert {(p.severity, p.field) for p in problems} == {
        ("question", "outcomes[1].percent"),
        ("error", "answered_questions[1].answered_by"),
    }


def test_unusual_values_are_signed_too(tmp_path):
    text = TEXT.replace("  surgeons: 3", "  surgeons: 300")
    (question,) = found(text, tmp_path)
    assert question.rule == "unusual_value"
    signed = (
        SIGNED.replace("percent_matches_events", "unusual_value")
        .replace(ADDRESS, "setting.surgeons")
        .replace("15; 4; 30; 13.33", "300")
    )
    assert [p.severity for p in found(text + signed, tmp_path)] == ["answered"]


@pytest.mark.lengthy
def test_an_answer_survives_the_workbook(tmp_path):
    layout = layout_of(shipped().form("study"))
    (tmp_path / "one.yaml").write_text(WRONG + SIGNED, encoding="utf-8")
    root = read_document(tmp_path / "one.yaml").root
    assert root is not None
    for batch in (False, True):
        path = tmp_path / "book.xlsx"
        path.write_bytes(workbook_bytes(layout, {"one": root}, batch=batch))
        collected = assemble(read_book(path), layout)
        back = collected.records["one" if batch else ""]
        assert same_nodes(back, root)
        (answered,) = [p for p in collected.problems if p.rule == "percent_matches_events"]
        assert answered.severity == "answered"
        assert "!" in answered.file
        assert [p.severity for p in found(record_text(back), tmp_path)] == ["answered"]


def test_answers_of_both_extractors_survive_reconciling(tmp_path):
    other = SIGNED.replace("percent_matches_events", "unusual_value").replace("AB", "CD")
    one, two = read(WRONG + SIGNED, tmp_path), read(WRONG + other, tmp_path, "two.yaml")
    assert one.group is not None
    assert two.group is not None
    asked = []

    def choose(item, spec, first, second):
        asked.append(item)
        return first

    agreed = combine("TEST-01", one.group, two.group, one.form, choose)
    assert {entry.text("answered_by") for entry in agreed.groups("answered_questions")} == {"AB", "CD"}
    assert not [item for item in asked if not item.same and "answered" in item.field]


def test_questions_between_records_are_answered_in_their_record(tmp_path):
    review = Path(shutil.copytree(REVIEW, tmp_path / "review"))
    second = review / "records" / "test_03.yaml"
    second.write_text(
        TEXT.replace("id: TEST-01", "id: TEST_01")
        .replace("sandmere_a", "sandmere_b")
        .replace("invented.1", "invented.3")
        .replace("Sandmere hand", "Other hand"),
        encoding="utf-8",
    )
    before = [p for p in check_paths([review]).problems if p.rule == "study_ids_differ"]
    assert [p.severity for p in before] == ["question"]
    block = entries_to_answer(before)
    assert block.startswith(f"# {second}\nanswered_questions:\n")
    filled = (
        block.replace("answer:\n", "answer: two studies\n")
        .replace("by:\n", "by: AB\n")
        .replace("on:\n", "on: 2026-05-06\n")
    )
    second.write_text(second.read_text(encoding="utf-8") + filled, encoding="utf-8")
    after = [p for p in check_paths([review]).problems if p.rule == "study_ids_differ"]
    assert [(p.severity, p.answer) for p in after] == [("answered", "two studies (AB, 2026-05-06)")]
    second.write_text(
        second.read_text(encoding="utf-8").replace("study_ids_differ", "study_ids_difer"), encoding="utf-8"
    )
    unknown = [p for p in check_paths([review]).problems if "no rule of this name" in p.what]
    assert len(unknown) == 1
    assert "study_ids_differ" in unknown[0].hint


def test_what_check_writes_to_answer_answers_it_when_completed(tmp_path, capsys):
    path = tmp_path / "one.yaml"
    path.write_text(WRONG, encoding="utf-8")
    assert run(app, ["check", str(path), "--to-answer"]) == 0
    block = capsys.readouterr().out
    for name, text in (("answer", "looked up"), ("answered_by", "AB"), ("answered_on", "2026-05-06")):
        block = block.replace(f"{name}:\n", f"{name}: {text}\n")
    path.write_text(WRONG + block, encoding="utf-8")
    assert run(app, ["check", str(path)]) == 0
    assert "1 answered (--answered shows them)" in capsys.readouterr().err
    assert run(app, ["check", str(path), "--answered"]) == 0
    assert "answer: looked up (AB, 2026-05-06)" in capsys.readouterr().err
    assert run(app, ["check", str(path), "--json"]) == 0
    (problem,) = json.loads(capsys.readouterr().out)["problems"]
    assert (problem["severity"], problem["rule"], problem["address"]) == (
        "answered",
        "percent_matches_events",
        ADDRESS,
    )


def test_addresses_name_entries_and_tell_equal_ones_apart(tmp_path):
    twice = WRONG.replace(
        "  - {arm: B, outcome: any_complication", "  - {arm: A, outcome: any_complication", 1
    )
    group = read(twice, tmp_path).group
    form = shipped().form("study")
    assert group is not None
    assert (
        Addresses(group, form).of("outcomes[2].events") == "outcomes[A/any_complication/12/months#2].events"
    )
    assert (
        Addresses(group, form).of("arms[1].partly_given[1].thumbs")
        == "arms[A].partly_given[kwire_fixation].thumbs"
    )
    assert Addresses(group, form).of("study.year") == "study.year"
    assert Addresses(group, form).of("nowhere[9].at.all") == "nowhere[9].at.all"
