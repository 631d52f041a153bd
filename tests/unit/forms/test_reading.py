"""Records against forms: all problems at once, missing codes, conditions, references; a form for another joint."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import DataError, Problem, ProblemsError
from metakit.forms.library import Library, shipped
from metakit.forms.records import MOST_PROBLEMS, Reading, read_record
from metakit.forms.tree import Missing

REFERENCE = Path(__file__).parents[2] / "reference" / "forms"
STUDY = (REFERENCE / "review" / "records" / "test_01.yaml").read_text(encoding="utf-8")


def read(tmp_path: Path, text: str) -> Reading:
    path = tmp_path / "record.yaml"
    path.write_text(text, encoding="utf-8")
    return read_record(path, shipped(), shown="record.yaml")


def found(reading: Reading, field: str) -> list[Problem]:
    return [problem for problem in reading.problems if problem.field == field]


def test_sound_record(tmp_path: Path) -> None:
    reading = read(tmp_path, STUDY)
    assert reading.problems == ()
    assert reading.sound
    assert len(reading.sha256) == 64


@pytest.mark.parametrize(
    ("old", "new", "field", "at", "words"),
    [
        ("events: 4,", "events: 4;5,", "outcomes[1].events", "4;5", "not a number"),
        ("events: 4,", "events: 012,", "outcomes[1].events", "012", "write 12"),
        ("mean: 61.2", "mean: '61,2'", "arms[1].age.mean", "'61,2", "write 61.2"),
        ("technique: lrti", "technique: lrtii", "arms[2].technique", "lrtii", "did you mean lrti"),
        ("technique: lrti", "technique: LRTX", "arms[2].technique", "LRTX", "not a term of this list"),
        (
            "arm: C, outcome: implant_dis",
            "arm: D, outcome: implant_dis",
            "outcomes[3].arm",
            "D, outcome: implant",
            "no entry with this id under arms",
        ),
        ("  year: 2016", "  yaer: 2016", "study.yaer", "yaer", "did you mean year"),
        ("  year: 2016", "  year:", "study.year", "", "a value is required"),
        ("  year: 2016\n", "", "study.year", "id: TEST-01", "a value is required"),
        ("  id: TEST-01", "  id: not_reported", "study.id", "not_reported", "needs a value"),
        ("women: 25", "women: null", "arms[1].women", "null", "write not_reported"),
        ("women: 25", "women: [25]", "arms[1].women", "[25]", "one value is expected"),
        ("patients: {analysed: 30}", "patients: 30", "arms[3].patients", "", "group of fields"),
        ("within_person: no", "within_person: never", "design.within_person", "", "neither yes nor no"),
        ("bilateral: 3", "bilateral: 3\n    events: 4", "arms[3].events", "", "belongs to outcomes"),
        ("date: 2026-05-04", "date: 04.05.2026", "extraction.date", "", "mixed up"),
        (
            "kind: final, n: 30, mean: 8.87",
            "n: 30, mean: 8.87",
            "outcomes[14].kind",
            "",
            "kind of outcome is continuous",
        ),
        ("linked_reports: []", "linked_reports: [x, x]", "study.linked_reports[2]", "", "twice"),
        ("form_version: 1", "form_version: 7", "form_version", "7", "another version"),
        ("form_version: 1\n", "", "form_version", "form: study", "version of the form is missing"),
        ("form: study", "form: stduy", "form", "stduy", "did you mean study"),
        ("form: study\n", "", "form", "form_version", "which form"),
        (
            'setting:\n  country: "Invented"\n',
            "setting:\n  country: {a, b}\n",
            "setting.country",
            "",
            "one value",
        ),
        (
            "source: {page: 3, table: 1}",
            "source: {page: 3, a remark, table: 1}",
            "arms[1].source",
            "",
            "without a field name",
        ),
    ],
)
def test_one_slip_is_found_where_it_is(
    tmp_path: Path, old: str, new: str, field: str, at: str, words: str
) -> None:
    assert old in STUDY
    text = STUDY.replace(old, new, 1)
    reading = read(tmp_path, text)
    hits = [problem for problem in found(reading, field) if words in str(problem)]
    assert hits, [str(problem) for problem in reading.problems]
    if at:
        before = text[: text.index(at, STUDY.index(old) if new else 0)]
        assert (hits[0].line, hits[0].column) == (before.count("\n") + 1, len(before) - before.rfind("\n"))
    assert hits[0].severity == "error"
    assert not reading.sound


@pytest.mark.parametrize(
    ("old", "new", "field", "words"),
    [
        (
            "components: [lr_fcr_slip, ti_fcr]",
            "components: [lr_fcr_slip, [ti_fcr]]",
            "arms[2].components[2]",
            "a single text",
        ),
        (
            "components: [lr_fcr_slip, ti_fcr]",
            "components: {lr_fcr_slip, ti_fcr}",
            "arms[2].components",
            "a single text",
        ),
        (
            "components: [lr_fcr_slip, ti_fcr]",
            "components: [lr_fcr_slip, ti_fcrs]",
            "arms[2].components[2]",
            "did you mean ti_fcr",
        ),
        ("arms:\n", "arms:\n  -\n", "arms[1]", "an empty entry"),
        (
            "appraisal:\n  instrument",
            "appraisal:\n- instrument",
            "appraisal",
            "a group of fields is expected",
        ),
        ("  judgements:\n    - {", "  judgements:\n      {", "appraisal.judgements", "start each entry"),
    ],
)
def test_lists_and_groups_in_the_wrong_shape(
    tmp_path: Path, old: str, new: str, field: str, words: str
) -> None:
    text = STUDY.replace(old, new, 1)
    if "- instrument" in new or "judgements" in new:
        head, _, tail = text.partition(new)
        text = head + new + "".join(line + "\n" for line in tail.split("\n")[:1]) + "funding: not_reported\n"
    hits = [problem for problem in found(read(tmp_path, text), field) if words in str(problem)]
    assert [problem.severity for problem in hits] == ["error"]


def test_a_single_word_is_a_list_of_one(tmp_path: Path) -> None:
    reading = read(tmp_path, STUDY.replace("linked_reports: []", "linked_reports: TEST-07"))
    assert reading.group is not None
    assert reading.group.words("study.linked_reports") == ("TEST-07",)


def test_a_very_long_text_is_a_problem(tmp_path: Path) -> None:
    reading = read(tmp_path, STUDY + f"note: {'x' * 40_000}\n")
    assert [problem.allowed for problem in reading.problems] == ["at most 32,000"]


def test_all_slips_are_found_in_one_run(tmp_path: Path) -> None:
    text = STUDY.replace("events: 4, total: 30", "events: 52, total: 30").replace(
        "technique: lrti", "technique: lrtii"
    )
    text = text.replace("date: 2026-05-04", "date: 2026-02-30").replace("  year: 2016", "  yeer: 2016")
    fields = {problem.field for problem in read(tmp_path, text).problems if problem.severity == "error"}
    assert {
        "outcomes[1].events",
        "arms[2].technique",
        "extraction.date",
        "study.yeer",
        "study.year",
    } <= fields


def test_problems_come_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = STUDY.replace("events: 4, total: 30", "events: 52, total: 30").replace("  year: 2016", "  year: x")
    lines = [problem.line or 0 for problem in read(tmp_path, text).problems]
    assert lines == sorted(lines)
    assert len(lines) > 1


def test_missing_codes_differ_from_blank_and_zero(tmp_path: Path) -> None:
    text = STUDY.replace("women: 25", "women: not_reported").replace("women: 24", "women:")
    text = text.replace("bilateral: 3", "bilateral: not_applicable").replace(
        "stt_arthritis: 4", "stt_arthritis: 0"
    )
    reading = read(tmp_path, text)
    assert reading.problems == ()
    assert reading.group is not None
    first, second, third = reading.group.groups("arms")
    assert (first.integer("women"), first.missing("women")) == (None, Missing.NOT_REPORTED)
    assert (second.integer("women"), second.missing("women"), second.has("women")) == (None, None, False)
    assert third.missing("bilateral") is Missing.NOT_APPLICABLE
    assert first.integer("stt_arthritis") == 0
    assert reading.group.plain()["arms"][0]["women"] == "not_reported"


def test_a_whole_group_may_be_not_reported(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        STUDY.replace(
            "follow_up: {median: 52, minimum: 48, maximum: 60, unit: weeks}", "follow_up: not_reported"
        ),
    )
    assert reading.sound


def test_unicode_minus_is_read_and_asked_about(tmp_path: Path) -> None:
    reading = read(tmp_path, STUDY.replace("mean: -12, sign", "mean: \u221212, sign"))
    (problem,) = reading.problems
    assert problem.severity == "question"
    assert "U+2212" in problem.what
    assert reading.group is not None
    assert reading.group.groups("arms")[2].number("mp_preoperative.mean") == -12


def test_a_flood_of_problems_is_cut_and_counted(tmp_path: Path) -> None:
    text = STUDY + "".join(f"unknown_{number}: 1\n" for number in range(500))
    reading = read(tmp_path, text)
    assert len(reading.problems) == MOST_PROBLEMS + 1
    assert reading.problems[-1].what == "and 300 more problems in this file"


ELBOW_FORM = """
form: elbow
version: 3
title: Elbow record
about: A form for another joint.
rules: [patients_and_thumbs]
shared_groups:
  - name: counts
    fields:
      - {name: analysed, type: integer, hard_minimum: 0}
sections:
  - {name: code, type: identifier, required: yes, may_be_missing: no}
  - {name: radiographs, type: percent, soft_maximum: 90}
  - {name: approach, type: choice, vocabulary: approaches, required: yes}
  - {name: flexion, type: number, unit: degrees, required_when: [{field: approach, fact: open, is: ["yes"]}]}
  - name: arms
    type: group
    repeats: yes
    at_least: 1
    fields:
      - {name: patients, type: group, use: counts}
      - {name: thumbs, type: group, use: counts, help: elbows here}
"""
APPROACHES = """
vocabulary: approaches
version: 1
about: Surgical approaches to the elbow.
term_fields:
  - {name: open, type: yes_no, required: yes}
terms:
  - {id: posterior, label: Posterior, open: yes}
  - {id: scope, label: Through a scope, open: no}
"""


@pytest.fixture
def elbow(tmp_path: Path) -> Library:
    (tmp_path / "vocabularies").mkdir()
    (tmp_path / "vocabularies" / "approaches.yaml").write_text(APPROACHES)
    (tmp_path / "elbow.yaml").write_text(ELBOW_FORM)
    return Library(tmp_path)


@pytest.mark.parametrize(
    ("record", "fields"),
    [
        ("code: E1\napproach: scope\narms: [{patients: {analysed: 3}, thumbs: {analysed: 4}}]\n", []),
        ("code: E1\napproach: posterior\narms: [{patients: {analysed: 3}}]\n", ["flexion"]),
        ("code: E1\napproach: scope\nradiographs: 95 %\narms: []\n", ["radiographs", "arms"]),
        (
            "code: E1\napproach: lateral\narms: [{patients: {analysed: 3}, thumbs: {analysed: 7}}]\n",
            ["approach", "arms[1].thumbs.analysed"],
        ),
    ],
)
def test_a_form_for_another_joint_works_alike(
    elbow: Library, tmp_path: Path, record: str, fields: list[str]
) -> None:
    path = tmp_path / "record_of_an_elbow.yaml"
    path.write_text("form: elbow\nform_version: 3\n" + record)
    reading = read_record(path, elbow)
    assert [problem.field for problem in reading.problems] == fields


BROKEN_FORMS = [
    ("type: percent", "type: percents", "did you mean percent"),
    ("vocabulary: approaches", "vocabulary: aproaches", "did you mean approaches"),
    ("use: counts}\n", "use: cuonts}\n", "no shared group"),
    ("rules: [patients_and_thumbs]", "rules: [patients_and_elbows]", "patients_and_thumbs"),
    (
        "rules: [patients_and_thumbs]",
        "rules: [women_within_patients]",
        "fields that the form lacks: arms.women",
    ),
    ("field: approach, fact", "field: aproach, fact", "required_when names no field"),
    ("name: radiographs", "name: code", "two fields of one name"),
    ("soft_maximum: 90", "soft_maximum: 90, hard_maximum: 80", "limits must rise"),
    ("type: choice, vocabulary: approaches,", "type: choice,", "lists its choices"),
    ("may_be_missing: no}", "may_be_missing: no, choices: [a]}", "has no choices"),
    ("may_be_missing: no}", "may_be_missing: no, repeats: yes}", "only a group"),
    ("may_be_missing: no}", "may_be_missing: no, refers_to: legs.id}", "refers_to names no field"),
    (
        "      - {name: analysed, type: integer, hard_minimum: 0}",
        "      - {name: more, type: group, use: counts}",
        "inside itself",
    ),
    ("title: Elbow record", "titel: Elbow record", "did you mean title"),
    ("form: elbow", "from: elbow", "starts with its name"),
    ("version: 3", "version: [3", "is not closed"),
]


@pytest.mark.parametrize(("old", "new", "words"), BROKEN_FORMS, ids=[new[:30] for _, new, _ in BROKEN_FORMS])
def test_a_broken_form_is_answered_like_a_broken_record(
    elbow: Library, old: str, new: str, words: str
) -> None:
    path = elbow.folder / "elbow.yaml"
    assert old in ELBOW_FORM
    path.write_text(ELBOW_FORM.replace(old, new, 1))
    with pytest.raises(ProblemsError) as error:
        elbow.form("elbow")
    assert words in str(error.value)
    assert "elbow.yaml:" in str(error.value)


def test_a_broken_vocabulary_is_answered_too(elbow: Library) -> None:
    path = elbow.folder / "vocabularies" / "approaches.yaml"
    path.write_text(APPROACHES.replace("id: scope", "id: posterior").replace("open: no", "opne: no"))
    with pytest.raises(DataError) as error:
        elbow.vocabulary("approaches")
    assert "two terms with this id" in str(error.value)
    assert "did you mean open" in str(error.value)
