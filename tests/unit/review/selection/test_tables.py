"""Tables of a selection: the column of each problem, cells that look like another type, rows of another width."""

from __future__ import annotations

from pathlib import Path

from metakit.review.selection.tables import read_table_rows

HEAD = "citation_id,search,title,authors,year,journal,doi,pubmed_id\n"


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
