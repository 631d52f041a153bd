"""The selection as it stands in a folder: counted, checked, damaged. All of it is invented."""

from __future__ import annotations

import random
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from metakit.errors import DataError, Problem
from metakit.forms.library import shipped
from metakit.plots.evidence.flow_content import flow_content
from metakit.review.check import check_paths
from metakit.review.folder import open_folder
from metakit.review.selection.flow import Flow
from metakit.review.selection.reading import Selection, SelectionReading, read_selection
from tests.unit.review.selection.stored import CITATIONS, HEAD, change, finished_review


@pytest.fixture
def review(tmp_path: Path) -> Path:
    return finished_review(tmp_path / "review")


def read(review: Path) -> SelectionReading:
    from metakit.forms.records import read_record

    records = [read_record(path, shipped()) for path in sorted((review / "records").glob("*.yaml"))]
    found = read_selection(review, shipped(), records)
    assert found is not None
    return found


def selection(review: Path) -> Selection:
    found = read(review)
    assert found.selection is not None, [str(problem) for problem in found.problems]
    return found.selection


def problems(review: Path) -> list[Problem]:
    return list(read(review).problems)


def test_every_box_is_counted(review: Path) -> None:
    found = selection(review)
    assert found.people == ("AB", "CD")
    flow = found.flow
    assert flow is not None
    side = flow.databases
    assert (side.found, side.removed) == ({"database_a": 5, "register": 2}, {"duplicate": 1})
    assert (side.screened, side.excluded, side.sought, side.not_retrieved) == (6, 2, 4, 1)
    assert (side.assessed, side.excluded_by_reason, side.included) == (3, {"other_design": 1}, 2)
    assert flow.other is not None
    assert (flow.other.found, flow.other.screened, flow.other.sought) == ({"lists": 1}, None, 1)
    assert (flow.other.assessed, flow.other.excluded_by_reason) == (1, {"too_few_thumbs": 1})
    assert (flow.included_reports, flow.included_studies) == (2, 2)
    assert flow.problems() == []
    assert problems(review) == []


def test_open_review_carries_the_selection_and_the_hashes_of_its_files(review: Path) -> None:
    opened = open_folder(review)
    assert opened.selection is not None
    names = {name for name, _ in opened.inputs}
    assert {"selection/citations.csv", "selection/screening_AB.csv", "selection/searches/lists.yaml"} <= names


def test_a_review_without_a_selection_is_still_a_review(review: Path) -> None:
    shutil.rmtree(review / "selection")
    assert open_folder(review).selection is None
    assert not [p for p in check_paths([review]).problems if "selection" in p.file]


def test_an_empty_selection_folder_is_unfinished_not_wrong(review: Path) -> None:
    shutil.rmtree(review / "selection")
    (review / "selection").mkdir()
    assert selection(review).flow is None
    found = problems(review)
    assert {p.severity for p in found} == {"question"}
    assert any("2 study records, and no included report" in p.what for p in found)


def test_a_record_that_nobody_selected_is_an_error_once_all_is_decided(review: Path) -> None:
    text = (review / "records" / "test_02.yaml").read_text(encoding="utf-8")
    (review / "records" / "test_03.yaml").write_text(text.replace("TEST-02", "TEST-03"), encoding="utf-8")
    (found,) = problems(review)
    assert (found.severity, found.found, found.field) == ("error", "TEST-03", "record")
    assert Path(found.file).name == "included.csv"
    with pytest.raises(DataError, match="no included report leads to it"):
        open_folder(review)


# file, old text, new text, severity, what the message must say, field
DAMAGE = [
    ("searches/database_a.yaml", "found: 5", "found: 6", "error", "do not add up: 5 records", "found"),
    ("searches/database_a.yaml", "kind: database", "kind: databse", "error", "did you mean database", "kind"),
    ("searches/database_a.yaml", "date: 2026-01-03", "date:", "question", "not described: date", ""),
    ("searches/database_a.yaml", "form: search", "form: protocol", "error", "", ""),
    ("searches/database_a.yaml", "strategy: |\n  1 thumb\n  2 trapez*\n", "", "question", "not described: strategy", ""),
    ("searches/database_a.ris", "Denervation", "Reinnervation", "error", "not the one that was imported", "sha256"),
    ("searches/database_a.yaml", "file: database_a.ris", "file: database_b.ris", "error", "no such file", "file"),
    ("citations.csv", "C0002,", "C0001,", "error", "stands in line 2 already", "citation_id"),
    ("citations.csv", "C0003,database_a", "C0003,database_x", "error", "did you mean database_a", "search"),
    ("citations.csv", "An invented survey of wrists", "", "error", "a value is required", "title"),
    ("citations.csv", "2019", "20l9", "error", "text behind the number", "year"),
    ("citations.csv", ',"Sample, B",2019', ",Sample, B,2019", "error", "9 cells in a table of 8", ""),
    ("citations.csv", "authors", "autors", "error", "did you mean authors", "autors"),
    ("removed.csv", "C0006", "C0096", "error", "no such citation", "citation_id"),
    ("removed.csv", "C0001", "", "error", "a value is required", "kept"),
    ("removed.csv", "duplicate", "repeated", "error", "not a term", "because"),
    ("removed.csv", "duplicate,C0001", "duplicate,C0006", "error", "was removed itself", "kept"),
    ("screening_AB.csv", "C0001,title_abstract", "C0091,title_abstract", "error", "no such citation", "citation_id"),
    ("screening_AB.csv", "C0001,title_abstract", "C0006,title_abstract", "error", "decide on C0001 instead", "citation_id"),
    ("screening_AB.csv", "C0007,title_abstract,include", "C0008,title_abstract,include", "question", "only the decision on its full text counts", "stage"),
    ("screening_AB.csv", "title_abstract,include", "title,include", "error", "not a term", "stage"),
    ("screening_AB.csv", "C0001,title_abstract,include", "C0001,title_abstract,incl", "error", "did you mean include", "decision"),
    ("screening_AB.csv", "C0003,title_abstract,exclude", "C0003,title_abstract,not_retrieved", "error", "no decision on title", "decision"),
    ("screening_AB.csv", "other_design", "", "error", "a value is required", "reason"),
    ("screening_AB.csv", "other_design", "other_desing", "error", "did you mean other_design", "reason"),
    ("screening_AB.csv", "C0001,full_text,include,", "C0001,full_text,include,other_design", "error", "beside the decision include", "reason"),
    ("screening_AB.csv", "C0002,title_abstract,include", "C0001,title_abstract,include", "error", "decided at this stage in line 2", "citation_id"),
    ("screening_AB.csv", "C0002,full_text,include", "C0003,full_text,include", "error", "its full text is not read", "stage"),
    ("screening_AB.csv", ",,,,,2026-01-05", ",,,,,5 January", "error", "not a date", "decided_on"),
    ("screening_agreed.csv", ",EF,", ",,", "error", "who settled it", "decided_by"),
    ("screening_agreed.csv", "C0004,title_abstract,exclude", "C0003,title_abstract,include", "question", "overrules", "decision"),
    ("included.csv", "C0001,", "C0005,", "error", "not included on its full text", "citation_id"),
    ("included.csv", "TEST-01", "TEST-10", "question", "there is no study record", "record"),
    ("included.csv", "C0002,TEST-02", "C0001,TEST-01", "error", "leads to this record in line 2", "citation_id"),
]  # fmt: skip


@pytest.mark.grid
@pytest.mark.parametrize("case", DAMAGE, ids=lambda case: f"{case[0]}: {case[2][:30]}")
def test_damage_is_named_with_its_place(review: Path, case: tuple[str, str, str, str, str, str]) -> None:
    file, old, new, severity, words, field = case
    path = change(review, file, old, new)
    found = [p for p in problems(review) if p.severity == severity and words in str(p)]
    found = [p for p in found if not field or p.field == field]
    assert found, [str(problem) for problem in problems(review)]
    if new and severity == "error":
        assert Path(found[0].file).stem == path.stem
        assert found[0].line
    if severity == "error":
        assert read(review).selection is None
        with pytest.raises(DataError):
            open_folder(review)


UNFINISHED = [
    ("screening_agreed.csv", "C0004,title_abstract,exclude,,,,EF,2026-01-07\n", "", "two people disagree"),
    ("screening_AB.csv", "C0005,full_text,exclude,other_design", "C0005,full_text,include,", "two people disagree"),
    ("screening_AB.csv", "C0005,full_text,exclude,other_design", "C0005,full_text,exclude,language", "two people disagree"),
]  # fmt: skip


@pytest.mark.parametrize("case", UNFINISHED, ids=range(len(UNFINISHED)))
def test_an_open_disagreement_is_a_question_and_stops_the_flow(
    review: Path, case: tuple[str, str, str, str]
) -> None:
    file, old, new, words = case
    change(review, file, old, new)
    found = selection(review)
    assert found.flow is None
    assert any(words in problem.what for problem in found.unfinished)
    assert {problem.severity for problem in problems(review)} == {"question"}


def test_records_that_nobody_decided_on_are_counted_and_named(review: Path) -> None:
    for person in ("AB", "CD"):
        change(review, f"screening_{person}.csv", "C0003,title_abstract,exclude,,,,,2026-01-05\n", "")
        change(
            review, f"screening_{person}.csv", "C0007,full_text,not_retrieved,,,asked twice,,2026-01-09\n", ""
        )
    texts = [problem.what for problem in selection(review).unfinished]
    assert texts == [
        "not finished: 1 record without a decision on title and abstract: C0003",
        "not finished: 1 record without a decision on full text: C0007",
    ]


def test_an_included_report_without_a_record_waits(review: Path) -> None:
    for person in ("AB", "CD"):
        change(review, f"screening_{person}.csv", "full_text,exclude,other_design,2", "full_text,include,,2")
    (waiting,) = selection(review).unfinished
    assert "included, and no study record yet: C0005" in waiting.what


def test_two_reports_of_one_study_count_once_as_a_study(review: Path) -> None:
    for person in ("AB", "CD"):
        change(review, f"screening_{person}.csv", "full_text,exclude,other_design,2", "full_text,include,,2")
    change(review, "included.csv", "C0002,TEST-02\n", "C0002,TEST-02\nC0005,TEST-01\n")
    flow = selection(review).flow
    assert flow is not None
    assert (flow.included_reports, flow.included_studies) == (3, 2)


def test_a_merge_taken_back_is_screened_again(review: Path) -> None:
    change(review, "removed.csv", ",100,yes", ",100,no")
    assert [p.what for p in selection(review).unfinished] == [
        "not finished: 1 record without a decision on title and abstract: C0006"
    ]


def test_one_screener_is_enough_to_count_and_a_third_is_refused(review: Path) -> None:
    (review / "selection" / "screening_CD.csv").unlink()
    assert selection(review).flow is not None
    for person in ("CD", "GH"):
        (review / "selection" / f"screening_{person}.csv").write_text(HEAD, encoding="utf-8")
    assert any("3 people screened" in problem.what for problem in problems(review))


def test_remarks_and_other_separators_are_read(review: Path) -> None:
    path = review / "selection" / "citations.csv"
    text = (
        CITATIONS.replace('"Sample, B"', "Sample B")
        .replace('"Gone, A"', "Gone A")
        .replace('"Small, C"', "Small C")
    )
    path.write_text("\ufeff# a remark, with a comma\n" + text.replace(",", ";"), encoding="utf-8")
    assert len(selection(review).citations) == 8
    change(review, "citations.csv", "2019", "20l9")
    (found,) = problems(review)
    assert (found.line, found.column, found.field) == (5, 5, "year")


@pytest.mark.parametrize("box", ["screened", "sought", "assessed", "included"])
def test_a_flow_that_does_not_add_up_is_refused_and_names_the_box(review: Path, box: str) -> None:
    flow = selection(review).flow
    assert flow is not None
    wrong = replace(flow, databases=replace(flow.databases, **{box: getattr(flow.databases, box) + 1}))
    with pytest.raises(
        DataError, match=r"(records screened|reports (sought|assessed|of included)).*does not add up"
    ):
        flow_content(wrong, sources={}, reasons={})
    many = Flow(databases=flow.databases, other=flow.other, included_reports=2, included_studies=3)
    with pytest.raises(DataError, match="more studies than reports"):
        many.check()


@pytest.mark.slow
def test_random_damage_never_ends_in_a_traceback(review: Path, tmp_path: Path) -> None:
    """200 random edits of the files: each is read, refused with places, or a question."""
    rng = random.Random(20260120)
    files = sorted(path for path in (review / "selection").rglob("*") if path.is_file())
    whole = {path: path.read_bytes() for path in files}
    changed = 0
    for _ in range(200):
        path = rng.choice(files)
        content = bytearray(whole[path])
        for _ in range(rng.randint(1, 3)):
            at = rng.randrange(len(content))
            content[at : at + rng.choice((0, 1, 1, 5))] = rng.choice(
                (b"", b",", b'"', b"\n", b"\x00", b"\xff", b"=", b"C0001", b"\xe2\x80\xae", b"<b>", b"exclude", b"9999999")
            )  # fmt: skip
        path.write_bytes(bytes(content))
        found = read(review)
        assert all(problem.file for problem in found.problems)
        if found.selection is None:
            changed += 1
            assert any(problem.severity == "error" for problem in found.problems)
        path.write_bytes(whole[path])
    assert changed > 60
    assert problems(review) == []


def test_the_reports_of_an_updated_review_are_counted_beside_the_new_ones(review: Path) -> None:
    flow = selection(review).flow
    assert flow is not None
    assert (flow.previous, flow.total_reports) == (None, 2)
    later = replace(flow, previous=(3, 5))
    assert later.total_reports == 7
