"""A review folder: opened whole, or answered with every problem of every file; nothing on disk is changed."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from metakit.errors import DataError, ProblemsError, UnreadableError, UsageError
from metakit.review.across import REVIEW_RULES
from metakit.review.check import check_paths
from metakit.review.folder import open_folder

SOUND = Path(__file__).parents[2] / "reference" / "forms" / "review"


@pytest.fixture
def review(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SOUND, tmp_path / "review"))


def edit(review: Path, name: str, old: str, new: str) -> None:
    path = review / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def state(folder: Path) -> dict[str, str]:
    return {
        str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def test_sound_review(review: Path) -> None:
    opened = open_folder(review)
    assert opened.protocol.id == "test_review"
    assert opened.protocol.date == "2026-01-15"
    assert [study.id for study in opened.studies] == ["TEST-01", "TEST-02"]
    assert opened.inputs[0][0] == "protocol.yaml"
    assert opened.inputs[1][0] == "records/test_01.yaml"
    assert (
        opened.inputs[1][1] == hashlib.sha256((SOUND / "records" / "test_01.yaml").read_bytes()).hexdigest()
    )
    (question,) = opened.questions
    assert (question.severity, question.file) == ("question", "records/test_02.yaml")


def test_paths_of_the_user_do_not_reach_the_records(review: Path) -> None:
    opened = open_folder(review)
    assert str(review) not in repr(opened.studies) + repr(opened.questions) + repr(opened.protocol)


def test_all_problems_of_all_files_at_once(review: Path) -> None:
    edit(review, "protocol.yaml", "measure: risk_ratio", "measure: risk_ration")
    edit(review, "records/test_01.yaml", "events: 4, total: 30", "events: 52, total: 40")
    edit(review, "records/test_02.yaml", "type: case_series", "type: case_serie")
    with pytest.raises(DataError) as error:
        open_folder(review)
    files = {Path(problem.file).name for problem in error.value.problems if problem.severity == "error"}
    assert files == {"protocol.yaml", "test_01.yaml", "test_02.yaml"}
    assert "did you mean risk_ratio" in str(error.value)
    assert "52 of 40" in str(error.value)


BREAKAGES = [
    (
        "a bracket deleted",
        lambda r: edit(r, "records/test_01.yaml", "[lr_fcr_slip, ti_fcr]", "[lr_fcr_slip, ti_fcr"),
        2,
        "is not closed",
    ),
    (
        "more events than thumbs",
        lambda r: edit(
            r, "records/test_01.yaml", "events: 4, total: 30, event_count: 5", "events: 52, total: 30"
        ),
        1,
        "52 of 30",
    ),
    (
        "an unknown technique",
        lambda r: edit(r, "records/test_01.yaml", "technique: lrti", "technique: lrty"),
        1,
        "did you mean lrti",
    ),
    (
        "the same key twice",
        lambda r: edit(r, "records/test_01.yaml", "  year: 2016", "  year: 2016\n  year: 2017"),
        1,
        "on line 8 already",
    ),
    (
        "a Latin-1 file",
        lambda r: (r / "records" / "test_02.yaml").write_bytes("form: study # Müller\n".encode("latin-1")),
        2,
        "not UTF-8",
    ),
    ("an empty file", lambda r: (r / "records" / "test_02.yaml").write_bytes(b""), 2, "the file is empty"),
    ("no records", lambda r: shutil.rmtree(r / "records"), 2, "has no records"),
    ("no protocol", lambda r: (r / "protocol.yaml").unlink(), 2, "has no protocol.yaml"),
    ("nothing", lambda r: shutil.rmtree(r), 2, "no such"),
    (
        "a study in place of the protocol",
        lambda r: shutil.copy(r / "records" / "test_02.yaml", r / "protocol.yaml"),
        1,
        "form protocol belongs here",
    ),
    (
        "a protocol among the records",
        lambda r: shutil.copy(r / "protocol.yaml", r / "records" / "x.yaml"),
        1,
        "form study belongs here",
    ),
    (
        "one id twice",
        lambda r: edit(r, "records/test_02.yaml", "id: TEST-02", "id: TEST-01"),
        1,
        "has this id already",
    ),
    (
        "a link to nowhere",
        lambda r: edit(r, "records/test_01.yaml", "linked_reports: []", "linked_reports: [TEST-9]"),
        1,
        "no record of this review",
    ),
]


@pytest.mark.parametrize(
    ("name", "breakage", "status", "words"), BREAKAGES, ids=[case[0] for case in BREAKAGES]
)
def test_each_breakage_is_one_clear_answer(
    review: Path, name: str, breakage, status: int, words: str
) -> None:
    breakage(review)
    before = state(review)
    with pytest.raises(ProblemsError) as error:
        open_folder(review)
    assert error.value.exit_status == status
    assert words in str(error.value)
    assert sum(problem.severity == "error" for problem in error.value.problems) == 1
    report = check_paths([review])
    assert report.exit_status == status
    assert words in "\n".join(map(str, report.problems))
    assert state(review) == before


def test_an_unreadable_file_does_not_hide_the_problems_of_others(review: Path) -> None:
    (review / "records" / "test_02.yaml").write_bytes(b"\xff\xfe\x00")
    edit(review, "records/test_01.yaml", "women: 25", "women: 250")
    with pytest.raises(UnreadableError) as error:
        open_folder(review)
    assert "UTF-16" in str(error.value)
    assert "250 women" in str(error.value)


def test_files_of_other_kinds_are_pointed_out(review: Path) -> None:
    (review / "records" / "table.csv").write_text("a,b\n")
    (review / "records" / ".hidden").write_text("x")
    (review / "records" / "~$test.xlsx").write_text("x")
    names = [Path(problem.file).name for problem in open_folder(review).questions]
    assert "table.csv" in names
    assert len(names) == 2


QUESTIONS = {
    "study_ids_differ": [("records/test_02.yaml", "id: TEST-02", "id: Test_01")],
    "study_labels_differ": [
        ("records/test_02.yaml", 'label: "TEST-02 Fenwold"', 'label: "Test 01 Sandmere"')
    ],
    "one_report_once": [
        (
            "records/test_02.yaml",
            "cohort: fenwold",
            "cohort: fenwold, doi: https://doi.org/10.0000/INVENTED.1",
        ),
        ("records/test_02.yaml", "extractor: CD", "extractor: AB"),
    ],
    "links_lead_somewhere": [("records/test_01.yaml", "linked_reports: []", "linked_reports: [TEST-02]")],
    "overlapping_cohorts": [
        (
            "records/test_02.yaml",
            "design: {type: case_series}",
            "design: {type: case_series, recruitment_start: 2014, recruitment_end: 2015}\nsetting: {unit_name: 'SANDMERE Hand Unit (invented)'}",
        )
    ],
    "plan_has_records": [("protocol.yaml", "comparator: [trapeziectomy]", "comparator: [denervation]")],
}


@pytest.mark.parametrize("rule", QUESTIONS)
def test_question_between_records(review: Path, rule: str) -> None:
    before = {str(problem) for problem in open_folder(review).questions}
    for name, old, new in QUESTIONS[rule]:
        edit(review, name, old, new)
    new = [problem for problem in open_folder(review).questions if str(problem) not in before]
    assert new
    assert all(problem.line for problem in new)


def test_a_standard_deviation_far_below_others_is_asked_about(review: Path) -> None:
    record = (review / "records" / "test_01.yaml").read_text(encoding="utf-8")
    for number in range(3, 8):
        copy = (
            record.replace("TEST-01", f"TEST-0{number}")
            .replace("sandmere", f"unit_{number}")
            .replace("Sandmere", f"Unit {number}")
        )
        copy = copy.replace("doi: 10.0000/invented.1", "doi: not_reported")
        (review / "records" / f"test_0{number}.yaml").write_text(copy, encoding="utf-8")
    edit(
        review,
        "records/test_05.yaml",
        "measured_in: lb, n: 30, mean: 9.9, standard_deviation: 3.1",
        "measured_in: lb, n: 30, mean: 9.9, standard_deviation: 0.57",
    )
    found = [problem for problem in open_folder(review).questions if "a standard error?" in problem.what]
    assert {Path(problem.file).name for problem in found} == {"test_05.yaml"}
    assert len({problem.field for problem in found}) == len(found)  # one question a cell


DASH = (
    "  - {arm: ARM, outcome: quickdash, time: {value: 12, unit: months}, kind: final, reporting: reported, "
)
DASH += "unit_of_analysis: thumbs, n: 30, mean: 20, standard_deviation: SPREAD, source: {table: 2}}\n"


def with_dash(review: Path, spreads: dict[str, str]) -> None:
    """Add a score of both arms to copies of an invented study."""
    record = (review / "records" / "test_01.yaml").read_text(encoding="utf-8")
    for number, spread in spreads.items():
        copy = record.replace("TEST-01", f"TEST-0{number}").replace(
            "doi: 10.0000/invented.1", "doi: not_reported"
        )
        copy = copy.replace("sandmere", f"unit_{number}").replace("Sandmere", f"Unit {number}")
        rows = "".join(DASH.replace("ARM", arm).replace("SPREAD", spread) for arm in "AB")
        copy = copy.replace("\noutcomes:\n", f"\noutcomes:\n{rows}")
        (review / "records" / f"test_0{number}.yaml").write_text(copy, encoding="utf-8")


@pytest.mark.parametrize(
    ("spreads", "asked"),
    [
        ({"3": "15", "4": "2.9"}, True),  # 2.9 is 15.9 over the root of 30
        ({"3": "15", "4": "14", "5": "2.6"}, True),
        ({"3": "15", "4": "9"}, False),  # smaller, and no standard error
        ({"3": "15", "4": "0.3"}, False),  # not even as a standard error
    ],
)
def test_a_slip_is_asked_about_by_its_consequence_and_marked_beside_the_answer(
    review: Path, spreads: dict[str, str], asked: bool
) -> None:
    with_dash(review, spreads)
    folder = open_folder(review)
    found = [problem for problem in folder.questions if problem.rule == "weight_of_a_slip"]
    assert bool(found) is asked
    if not asked:
        return
    slipped = max(spreads)
    assert {Path(problem.file).stem for problem in found} == {f"test_0{slipped}"} and len(found) == 2
    # As typed the weights are those of one common effect: both arms have 30 thumbs.
    weights = {name: float(spread) ** -2 for name, spread in spreads.items()}
    share = 100 * weights[slipped] / sum(weights.values())
    assert f"{share:.0f} % of the weight of quickdash" in found[0].what
    assert all("/quickdash/" in problem.address for problem in found)


def test_every_rule_between_records_is_tested_here() -> None:
    # Reports of one cohort with two numbers are pattern 10 of test_self_contradictions.py.
    others = {"spread_beside_others", "cohort_numbers_agree", "weight_of_a_slip"}
    assert {*QUESTIONS, *others} == set(REVIEW_RULES.names())


def test_check_takes_files_folders_and_forms_of_ones_own(review: Path, tmp_path: Path) -> None:
    assert check_paths([review / "records" / "test_01.yaml"]).exit_status == 0
    assert len(check_paths([review / "records"]).files) == 2
    assert len(check_paths([review, review / "records" / "test_01.yaml"]).files) == 3
    assert check_paths([tmp_path / "none.yaml"]).exit_status == 2
    (tmp_path / "void").mkdir()
    assert check_paths([tmp_path / "void"]).exit_status == 2
    with pytest.raises(UsageError):
        check_paths([])
    own = tmp_path / "knee.yaml"
    own.write_text(
        "form: knee\nversion: 1\ntitle: Knee\nabout: x\nsections: [{name: code, type: identifier, required: yes}]\n"
    )
    record = tmp_path / "records.yaml"
    record.write_text("form: knee\nform_version: 1\ncode: K 1\n")
    report = check_paths([record], form=own)
    assert [problem.field for problem in report.problems] == ["code"]
    assert "follows another form" in str(check_paths([review / "protocol.yaml"], form=own).problems[0])


HEAVY = ("pandas", "numpy", "scipy", "statsmodels", "matplotlib", "openpyxl")


@pytest.mark.parametrize(
    "code",
    [
        "import metakit.forms.records, metakit.forms.sheets.tables, metakit.review.folder, metakit.review.new",
        f"from metakit.review.folder import open_folder; open_folder({str(SOUND)!r})",
    ],
    ids=["import", "open"],
)
def test_nothing_heavy_is_loaded(code: str) -> None:
    check = f"{code}; import sys; print([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
