"""CSV cut into rows: the line that a row begins in, limits from both sides, nothing cut off in silence."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import UnreadableError
from metakit.forms.printed_tables.grid import grid_of_csv, read_grid
from metakit.forms.sheets import csv_tables
from metakit.forms.sheets.csv_tables import csv_rows, read_csv, rows_of_text
from metakit.forms.sheets.sheet_rows import LONGEST_CELL, MOST_COLUMNS


def test_a_row_has_the_number_of_the_line_that_it_begins_in() -> None:
    rows = csv_rows(b'study,n\nA,1\n\n"two\nlines",2\nB,3\n', "t.csv").rows
    assert [(line, cells[0]) for line, cells in rows] == [(1, "study"), (2, "A"), (4, "two\nlines"), (6, "B")]


def test_a_broken_row_is_named_by_its_own_line() -> None:
    for content, line in ((b'"study,n\nA,1\n', 1), (b'study,n\n"A"x,1\n', 2), (b'study,n\nA,1\n"B,2\n', 3)):
        with pytest.raises(UnreadableError) as error:
            csv_rows(content, "t.csv")
        assert [problem.line for problem in error.value.problems] == [line]


def test_as_many_rows_and_columns_as_allowed_and_no_more() -> None:
    text = "study,n\nA,1\nB,2\nC,3\n"
    assert len(rows_of_text(text, ",", "t.csv", most_rows=3)) == 4
    with pytest.raises(UnreadableError, match="too large") as error:
        rows_of_text(text, ",", "t.csv", most_rows=2)
    assert error.value.problems[0].line == 4
    assert len(rows_of_text(",".join("a" * MOST_COLUMNS), ",", "t.csv")[0][1]) == MOST_COLUMNS
    with pytest.raises(UnreadableError, match="too large"):
        rows_of_text(",".join("a" * (MOST_COLUMNS + 1)), ",", "t.csv")


@pytest.mark.parametrize("read", [read_csv, read_grid], ids=["plain", "as_printed"])
def test_a_file_beyond_the_limit_is_refused_and_not_cut(tmp_path: Path, read) -> None:  # type: ignore[no-untyped-def]
    """Rows at the end of a file that is a byte too long would be lost without a word."""
    path = tmp_path / "t.csv"
    blank = (b" " * 29_999 + b"\n") * (csv_tables.LARGEST_CSV // 30_000 + 1)
    path.write_bytes(b"study,n\n" + blank[: csv_tables.LARGEST_CSV - 13] + b"\nA,1\n")
    kept = read(path, "t.csv").rows
    assert [list(cells) for _, cells in kept] == [["study", "n"], ["A", "1"]]
    with path.open("ab") as out:
        out.write(b"B,2\n")
    with pytest.raises(UnreadableError, match="the file is too large"):
        read(path, "t.csv")


def test_a_cell_has_its_longest_text() -> None:
    with pytest.raises(UnreadableError, match="a cell is too long"):
        csv_rows(b"study,n\n" + b"x" * 200_000 + b",1\n", "t.csv")
    assert LONGEST_CELL < 200_000


def test_the_separator_is_the_one_that_cuts_the_header_most() -> None:
    for sign in ",;\t":
        rows = csv_rows(f"study{sign}n{sign}m\nA{sign}1{sign}2\n".encode(), "t.csv").rows
        assert list(rows[0][1]) == ["study", "n", "m"]
    assert list(csv_rows(b'"a;b;c;d",n\nA,1\n', "t.csv").rows[0][1]) == ["a;b;c;d", "n"]
    with pytest.raises(UnreadableError, match="one column only"):
        csv_rows(b"study\nA\n", "t.csv")


def test_older_windows_text_is_told_in_a_printed_table_only() -> None:
    content = "Étude,n\nA,1\n".encode("cp1252")
    assert "read as Windows text" in grid_of_csv(content, "t.csv").told[0]
    with pytest.raises(UnreadableError):
        csv_rows(content, "t.csv")


def test_spaces_are_taken_away_and_control_characters_are_not() -> None:
    """U+001C to U+001F and U+0085 count as spaces in Python: taken away they would pass unseen."""
    rows = csv_rows("study, n \n\u00a0A\u2003,1\n\x1dB,2\nC\x85,3\n x ,4\n".encode(), "t.csv").rows
    assert [cells[0] for _, cells in rows] == ["study", "A", "\x1dB", "C\x85", "x"]
    assert rows[0][1][1] == "n"


@pytest.mark.parametrize(
    "text", ["=1+1", "+x", "-x", "@x", "\t=1", "\r=1", "\uff1d1", "plain", "'plain", "", "'=1"]
)
def test_what_is_guarded_comes_back(text: str) -> None:
    assert csv_tables.unguarded(csv_tables.guarded(text)) == text
    if text[:1] in "=+-@\t\r\uff1d" and text:
        assert csv_tables.guarded(text) == f"'{text}"
    assert csv_tables.guarded("-1") == "-1"  # a plain negative number is no formula
