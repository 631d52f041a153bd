"""Tables from CSV: text stays text, everything odd is answered with its row."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import DataError, UnreadableError
from metakit.forms.sheets.tables import Table, free_columns, numeric_columns, read_table

HEADER = "study,events_1,total_1\n"


def table(tmp_path: Path, content: str | bytes, name: str = "t.csv") -> Table:
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_table(path)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_separators_are_told_apart(tmp_path: Path, separator: str) -> None:
    text = f'study{separator}"a, b"{separator}n\nX{separator}1{separator}2\n'
    assert dict(table(tmp_path, text).columns) == {"study": ("X",), "a, b": ("1",), "n": ("2",)}


def test_nothing_is_taken_for_a_missing_value_or_a_number(tmp_path: Path) -> None:
    read = table(tmp_path, HEADER + "NA,1,2\nNone,1,2\n007,1,2\n1e3,1,2\nnan,1,2\ntrue,1,2\n")
    assert read.columns["study"] == ("NA", "None", "007", "1e3", "nan", "true")
    assert free_columns(read, ["events_1", "total_1"]) == {"study": list(read.columns["study"])}


def test_byte_order_mark_blank_lines_and_line_numbers(tmp_path: Path) -> None:
    read = table(tmp_path, b"\xef\xbb\xbf" + HEADER.encode() + b'\r\n"A\nB",1,2\r\n,,\r\nC,3,4\r\n')
    assert list(read.columns) == ["study", "events_1", "total_1"]
    assert read.lines == (3, 6)
    assert numeric_columns(read, ["events_1", "total_1"]) == {"events_1": [1.0, 3.0], "total_1": [2.0, 4.0]}


def test_free_columns_are_numbers_where_all_cells_are(tmp_path: Path) -> None:
    read = table(tmp_path, "study,year,dose\nA,1999,1.5\nB,2001,high\n")
    assert free_columns(read, ["study"]) == {"year": [1999.0, 2001.0], "dose": ["1.5", "high"]}


def test_all_bad_cells_and_missing_columns_at_once(tmp_path: Path) -> None:
    read = table(tmp_path, HEADER + 'A,"3,2",10\nB,4,\nC,1:30,1_000\nD,5%,12\n')
    with pytest.raises(DataError) as error:
        numeric_columns(read, ["events_1", "total_1", "total_2"])
    shown = [(p.line, p.field) for p in error.value.problems]
    assert shown == [
        (1, "total_2"),
        (2, "events_1"),
        (3, "total_1"),
        (4, "events_1"),
        (4, "total_1"),
        (5, "events_1"),
    ]
    assert "write 3.2" in str(error.value)
    assert "did you mean total_1" in str(error.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (HEADER + "A,1\n", "2 cells in a table of 3 columns"),
        (HEADER + "A,1,2,3\n", "4 cells"),
        ("study,a,a\nA,1,2\n", "2 columns have this name"),
        ("study,,b\nA,1,2\n", "column 2 has no name"),
        ("study,a,\nA,1,2\n", "without a column name"),
        ("1,2,3\n4,5,6\n", "numbers, not column names"),
        (HEADER, "no rows"),
        (HEADER + "A\u202e,1,2\n", "U+202E"),
        ("study;a\nA;3,2;4\n", "3 cells in a table of 2"),
    ],
)
def test_shape_of_a_table(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(DataError) as error:
        table(tmp_path, text)
    assert words in str(error.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\n\n", "empty"),
        ("study,a\nMüller,1\n".encode("latin-1"), "not UTF-8"),
        ("study,a\nA,1\n".encode("utf-16"), "UTF-16"),
        (b"study\x00,a\n", "zero bytes"),
        (b"study\nA\n", "one column only"),
        (b'study,a\n"A,1\nB,2\n', "never closed"),
        (b'study,a\n"A"x,1\n', "behind a closing quotation mark"),
        (b"study,a\n" + b"x" * 200_000 + b",1\n", "too long"),
        (b"study,a\n" + b"x,1\n" * 20_002, "too large"),
        (b",".join(b"c%d" % n for n in range(600)) + b"\n", "too large"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "old .xls"),
    ],
    ids=lambda value: repr(value)[:24],
)
def test_unreadable_tables(tmp_path: Path, content: bytes, words: str) -> None:
    with pytest.raises(UnreadableError) as error:
        table(tmp_path, content)
    assert words in str(error.value)


def test_a_broken_quotation_names_its_row(tmp_path: Path) -> None:
    with pytest.raises(UnreadableError) as error:
        table(tmp_path, b'study,a\nA,1\n"B,2\nC,3\n')
    assert error.value.problems[0].line == 3


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(UnreadableError, match="no such file"):
        read_table(tmp_path / "none.csv")
    with pytest.raises(UnreadableError, match="folder"):
        read_table(tmp_path)
