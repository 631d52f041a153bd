"""Tables of a selection: the column of each problem, cells that look like another type, rows of another width.

Of a table that is read again, only rows that changed are looked at anew.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.forms import library
from metakit.review.selection import tables
from metakit.review.selection.checks import Tables
from metakit.review.selection.reading import read_selection
from metakit.review.selection.tables import Rows, read_table_rows
from tests.unit.review.selection.stored import finished_review

HEAD = "citation_id,search,title,authors,year,journal,doi,pubmed_id\n"
DECISIONS = "citation_id,stage,decision,reason,page,study,note,decided_by,decided_on\n"
ROW = "C{:04d},title_abstract,{},,,,,,2026-01-12\n"


def read(folder: Path, *rows: str):  # type: ignore[no-untyped-def]
    path = folder / "citations.csv"
    path.write_text(HEAD + "".join(f"{row}\n" for row in rows), encoding="utf-8")
    return read_table_rows(path, "citation")


def test_a_problem_has_its_line_and_its_column_counted_from_one(tmp_path: Path) -> None:
    (found,) = read(tmp_path, "C0001,a,Sling,,20l5,,,").problems
    assert (found.field, found.line, found.column) == ("year", 2, 5)
    (odd,) = [p for p in read(tmp_path, "C0001,a,Sl\x07ing,,2015,,,").problems if "U+0007" in p.what]
    assert (odd.field, odd.line, odd.column) == ("title", 2, 3)
    (first,) = [p for p in read(tmp_path, "C0001\x07,a,Sling,,2015,,,").problems if "U+0007" in p.what]
    assert (first.field, first.column) == ("citation_id", 1)


def test_texts_that_look_like_other_types_stay_texts(tmp_path: Path) -> None:
    """A title 'No', a journal 'null' or an author '1e3' is what somebody wrote, not a truth value or a number."""
    rows = read(tmp_path, "C0001,a,No,1e3,2015,null,~,007")
    assert rows.problems == ()
    (group,) = rows.groups
    names = ("title", "authors", "journal", "doi", "pubmed_id")
    assert [group.text(name) for name in names] == ["No", "1e3", "null", "~", "007"]


def test_a_row_of_another_width_is_told_and_the_others_are_read(tmp_path: Path) -> None:
    rows = read(tmp_path, "C0001,a,Sling,,2015,,", "C0002,a,Fusion,,2016,,,")
    (found,) = rows.problems
    assert (found.line, found.what) == (2, "7 cells in a table of 8 columns")
    assert [group.text("citation_id") for group in rows.groups] == ["C0002"]


def test_a_table_that_is_not_there_has_no_rows_and_no_problem(tmp_path: Path) -> None:
    rows = read_table_rows(tmp_path / "citations.csv", "citation")
    assert (rows.groups, rows.problems) == ((), ())


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The lines whose cells are looked at."""
    seen: list[int] = []
    real = tables.read_fields

    def watched(root, form):
        seen.append(root.place.line)
        return real(root, form)

    monkeypatch.setattr(tables, "read_fields", watched)
    return seen


def written(path: Path, decisions: list[str]) -> Rows:
    path.write_text(DECISIONS + "".join(ROW.format(n, one) for n, one in enumerate(decisions, start=1)))
    return read_table_rows(path, "decision")


def test_a_row_that_stands_there_unchanged_is_looked_at_once(tmp_path: Path, looked: list[int]) -> None:
    path = tmp_path / "screening_AB.csv"
    first = written(path, ["include", "exclude", "unsure"])
    assert looked == [2, 3, 4]
    again = written(path, ["include", "exclude", "unsure", "exclude"])
    assert looked == [2, 3, 4, 5]
    assert again.groups[:3] == first.groups
    assert [group.text("decision") for group in again.groups] == ["include", "exclude", "unsure", "exclude"]
    changed = written(path, ["exclude", "exclude", "exclude"])
    assert looked == [2, 3, 4, 5, 2, 4]
    assert [group.text("decision") for group in changed.groups] == ["exclude"] * 3
    assert changed.sha256 != again.sha256


def test_a_row_that_moved_has_its_new_line_and_a_fault_is_told_each_time(
    tmp_path: Path, looked: list[int]
) -> None:
    path = tmp_path / "screening_AB.csv"
    path.write_text(DECISIONS + ROW.format(2, "perhaps so").replace("title_abstract", "at_tea"))
    first = read_table_rows(path, "decision")
    assert read_table_rows(path, "decision").problems == first.problems
    assert {problem.line for problem in first.problems} == {2}
    path.write_text(
        DECISIONS + ROW.format(1, "exclude") + ROW.format(2, "perhaps so").replace("title_abstract", "at_tea")
    )
    again = read_table_rows(path, "decision")
    assert {problem.line for problem in again.problems} == {3}
    assert [group.place.line for group in again.groups] == [2, 3]


def test_two_files_and_other_forms_do_not_answer_for_each_other(
    tmp_path: Path, looked: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = tmp_path / "screening_AB.csv", tmp_path / "screening_CD.csv"
    assert written(one, ["include"]).groups[0].place.file == str(one)
    assert written(other, ["include"]).groups[0].place.file == str(other)
    assert looked == [2, 2]
    strict = tables.row_form("removal")
    monkeypatch.setattr(tables, "row_form", lambda name: strict)
    assert not read_table_rows(one, "decision").sound  # the columns are no longer those of the form


def test_the_sides_of_a_citation_are_found_a_few_times_however_many_decisions_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once for each decision made the work of a reading grow with the square of the list."""
    review = finished_review(tmp_path / "review")
    asked: list[int] = []
    for name in ("ids", "by_other_methods"):
        real = getattr(Tables, name).fget

        def counted(given, real=real):
            asked.append(1)
            return real(given)

        monkeypatch.setattr(Tables, name, property(counted))
    reading = read_selection(review, library.shipped(), [])
    assert reading is not None
    path = review / "selection" / "screening_AB.csv"
    decisions = path.read_text().count("\n")
    before = len(asked)
    asked.clear()
    path.write_text(path.read_text() + path.read_text().split("\n", 1)[1])  # twice as many
    assert path.read_text().count("\n") > decisions + 3
    read_selection(review, library.shipped(), [])
    assert len(asked) <= before
