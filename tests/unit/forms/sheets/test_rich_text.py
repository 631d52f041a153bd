"""Raised, lowered, circled and struck-through characters never become part of a number in silence.

Source of the characters: the Unicode Character Database, field Numeric_Value, as Python's unicodedata has it.
"""

from __future__ import annotations

import sys
import unicodedata
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import xlsxwriter
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.styles import Font

from metakit.errors import DataError
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.sheets.tables import numeric_columns, read_table
from metakit.forms.specs import FieldSpec
from metakit.forms.typed_numbers import Refused
from metakit.measures.cells import read_number
from tests.unit.forms.record_workbooks.conftest import cell_of, filled, layout, record  # noqa: F401 - fixtures

NUMERIC = [
    chr(code)
    for code in range(sys.maxunicode + 1)
    if not chr(code).isascii() and unicodedata.numeric(chr(code), None) is not None
]


def full_width(character: str) -> bool:
    return "\uff10" <= character <= "\uff19"


def texts(mark: str) -> list[str]:
    return [
        mark,
        f"3{mark}",
        f"12{mark}",
        f"{mark}4",
        f"1.{mark}",
        f"0.0{mark}",
        f"-{mark}",
        f"1e{mark}",
        f"{mark}{mark}",
    ]


def test_the_walk_has_every_kind() -> None:
    assert len(NUMERIC) > 1_500
    assert set("²₃④７½") <= set(NUMERIC)


@pytest.mark.parametrize("kind", ["integer", "number", "percent", "p_value"])
def test_no_character_of_unicode_becomes_a_digit_in_a_record(kind: str) -> None:
    spec = FieldSpec(name="x", label="x", type=kind)
    read = FIELD_TYPES[kind].convert
    for mark in NUMERIC:
        for text in texts(mark):
            try:
                found = read(text, spec)
            except Refused as refused:
                assert refused.what
                continue
            assert full_width(mark), (text, found)
            assert "read as" in found.note, (text, found)
            plain = text.replace(mark, str(unicodedata.digit(mark)))
            assert found.value == read(plain, spec).value


def test_no_character_of_unicode_becomes_a_digit_in_a_table() -> None:
    for mark in NUMERIC:
        for text in texts(mark):
            with pytest.raises(Refused):
                read_number(text)


def test_the_mark_is_named_and_asked_about(tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text("study,events,total\nA,3²,41\nB,7,①2\n", encoding="utf-8")
    with pytest.raises(DataError) as error:
        numeric_columns(read_table(file), ["events", "total"])
    first, second = error.value.problems
    assert (first.line, first.field, first.found) == (2, "events", "3²")
    assert "superscript two" in first.what and "write 3 " in first.hint
    assert (second.line, second.field) == (3, "total") and "circled digit one" in second.what


def save_runs(path: Path, raised: dict[str, Any], *, inline: bool) -> Path:
    """Write '3' with a raised or lowered '2' behind it: in the list of texts, or in the sheet itself."""
    if inline:
        book = openpyxl.Workbook()
        book.active.append(["study", "events", "total"])
        book.active.append(
            ["A", CellRichText("3", TextBlock(InlineFont(vertAlign=raised["place"]), "2")), 41]
        )
        book.active.append(["B", 5, 40])
        book.save(path)
        return path
    with xlsxwriter.Workbook(path) as written:
        sheet = written.add_worksheet()
        mark = written.add_format({"font_script": 1 if raised["place"] == "superscript" else 2})
        sheet.write_row(0, 0, ["study", "events", "total"])
        sheet.write_row(1, 0, ["A", "", 41])
        sheet.write_rich_string(1, 1, "3", mark, "2")
        sheet.write_row(2, 0, ["B", 5, 40])
    return path


@pytest.mark.parametrize("inline", [False, True])
@pytest.mark.parametrize("place", ["superscript", "subscript"])
def test_a_raised_run_in_a_cell_is_no_digit(tmp_path: Path, place: str, inline: bool) -> None:
    table = read_table(save_runs(tmp_path / "t.xlsx", {"place": place}, inline=inline))
    assert table.columns["events"] == ("3²" if place == "superscript" else "3₂", 5)
    with pytest.raises(DataError) as error:
        numeric_columns(table, ["events"])
    (problem,) = error.value.problems
    assert problem.field == "events (cell B2)" and "is a mark, not a digit" in problem.what


def test_a_cell_raised_as_a_whole_is_no_number(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["study", "events"])
    book.active.append(["A", 12])
    book.active["B2"].font = Font(vertAlign="superscript")
    book.save(tmp_path / "t.xlsx")
    assert read_table(tmp_path / "t.xlsx").columns["events"] == ("¹²",)


def test_struck_rows_cells_and_parts_are_told(tmp_path: Path) -> None:
    struck = Font(strike=True)
    book = openpyxl.Workbook()
    for row in (["study", "events"], ["A", 1], ["B", 2], ["C", 3], ["D", 4]):
        book.active.append(row)
    book.active["A2"].font = book.active["B2"].font = struck
    book.active["B3"].font = struck
    book.active["B4"] = CellRichText(TextBlock(InlineFont(strike=True), "1"), "3")
    book.save(tmp_path / "t.xlsx")
    with pytest.raises(DataError) as error:
        read_table(tmp_path / "t.xlsx")
    row, cell, part = error.value.problems
    assert row.line == 2 and "the row is struck through" in row.what
    assert cell.field == "cell B3" and "the cell is struck through" in cell.what
    assert part.field == "cell B4" and "struck-through text inside" in part.what


@pytest.mark.lengthy
@pytest.mark.parametrize("runs", ["superscript", "strike"])
def test_collect_sees_marks_and_strikes(filled: bytes, layout: Any, tmp_path: Path, runs: str) -> None:  # noqa: F811
    from metakit.forms.record_workbooks.annotating import annotated
    from metakit.forms.record_workbooks.assembling import assemble
    from metakit.forms.record_workbooks.reading import read_book

    path = tmp_path / "book.xlsx"
    path.write_bytes(filled)
    book = openpyxl.load_workbook(path)
    cell = cell_of(book["arms"], "thumbs: operated")
    font = InlineFont(vertAlign="superscript") if runs == "superscript" else InlineFont(strike=True)
    cell.value = CellRichText("3", TextBlock(font, "2"))
    book.save(path)
    words = "is a mark, not a digit" if runs == "superscript" else "struck-through text"
    found = assemble(read_book(path), layout)
    assert any(words in problem.what for problem in found.problems)
    copy = tmp_path / "annotated.xlsx"
    copy.write_bytes(annotated(path, found.problems))
    again = assemble(read_book(copy), layout)
    assert any(words in problem.what for problem in again.problems)


@pytest.mark.lengthy
def test_collect_tells_hidden_rows_and_sheets(filled: bytes, layout: Any, tmp_path: Path) -> None:  # noqa: F811
    from metakit.forms.record_workbooks.reading import read_book

    path = tmp_path / "book.xlsx"
    path.write_bytes(filled)
    assert not any("hidden" in problem.what for problem in read_book(path).problems)
    book = openpyxl.load_workbook(path)
    book["arms"].row_dimensions[4].hidden = True
    book["outcomes"].sheet_state = "hidden"
    book.save(path)
    row, sheet = [problem for problem in read_book(path).problems if "hidden" in problem.what]
    assert row.severity == sheet.severity == "question"
    assert "Sheet 'arms': row 4 is hidden" in row.what and "Sheet 'outcomes' is hidden" in sheet.what
