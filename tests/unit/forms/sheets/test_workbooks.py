"""Tables from workbooks: values only, dates pointed out, nothing unpacked beyond the limits."""

from __future__ import annotations

import datetime
import io
import struct
import time
import zipfile
from pathlib import Path

import openpyxl
import pytest

from metakit.errors import DataError, UnreadableError
from metakit.forms.sheets.tables import free_columns, numeric_columns, read_table, text_of


def save(tmp_path: Path, rows: list[list[object]], *more: tuple[str, list[list[object]]]) -> Path:
    book = openpyxl.Workbook()
    for title, content in (("Sheet", rows), *more):
        sheet = book.active if title == "Sheet" else book.create_sheet(title)
        for row in content:
            sheet.append(row)
    path = tmp_path / "t.xlsx"
    book.save(path)
    return path


def test_values_stay_what_they_are(tmp_path: Path) -> None:
    read = read_table(
        save(tmp_path, [["study", "n", "when"], ["NA", 12, datetime.date(2024, 3, 15)], [7, 2.5, "later"]])
    )
    assert numeric_columns(read, ["n"]) == {"n": [12.0, 2.5]}
    assert read.columns["study"] == ("NA", 7)
    assert [text_of(cell) for cell in read.columns["when"]] == ["2024-03-15", "later"]
    assert read.lines == (2, 3)


def test_a_date_in_a_number_cell_shows_what_was_typed(tmp_path: Path) -> None:
    read = read_table(
        save(
            tmp_path,
            [
                ["study", "events"],
                ["A", datetime.datetime(2024, 3, 15)],
                ["B", datetime.time(1, 30)],
                ["C", True],
            ],
        )
    )
    with pytest.raises(DataError) as error:
        numeric_columns(read, ["events"])
    date, clock, truth = error.value.problems
    assert (date.line, date.field) == (2, "events (cell B2)")
    assert "3/15 or 15/3" in date.hint
    assert "1:30" in clock.hint
    assert "truth value" in truth.what


def test_text_numbers_are_read_or_refused_like_csv(tmp_path: Path) -> None:
    read = read_table(save(tmp_path, [["study", "a", "b"], ["A", "3.5", "3,5"]]))
    assert numeric_columns(read, ["a"]) == {"a": [3.5]}
    with pytest.raises(DataError, match=r"cell C2.*write 3\.5"):
        numeric_columns(read, ["b"])
    assert free_columns(read, ["study"]) == {"a": [3.5], "b": ["3,5"]}


def test_formulas_without_a_value_are_named(tmp_path: Path) -> None:
    with pytest.raises(DataError) as error:
        read_table(save(tmp_path, [["study", "n"], ["A", "=1+1"]]))
    assert "cell B2" in str(error.value)
    assert "formula without a value" in str(error.value)


def test_rows_keep_their_numbers_across_gaps(tmp_path: Path) -> None:
    read = read_table(save(tmp_path, [[], ["study", "n"], ["A", 1], [], [], ["B", 2]]))
    assert read.lines == (3, 6)


def test_the_sheet_with_studies_is_chosen(tmp_path: Path) -> None:
    read = read_table(save(tmp_path, [["Read me", "first"]], ("Data", [["study", "n"], ["A", 1]])))
    assert read.columns["n"] == (1,)
    with pytest.raises(UnreadableError, match="which is the table"):
        read_table(save(tmp_path, [["study", "n"]], ("Data", [["study", "n"], ["A", 1]])))


def test_a_value_beyond_the_header_is_a_problem(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="without a column name"):
        read_table(save(tmp_path, [["study", "n"], ["A", 1, "note"]]))


def test_an_empty_workbook(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="empty"):
        read_table(save(tmp_path, []))


def _package(members: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as package:
        for name, content in members.items():
            package.writestr(name, content)
    return stream.getvalue()


def _encrypted() -> bytes:
    content = bytearray(_package({"xl/workbook.xml": b"<x/>"}))
    at = content.index(b"PK\x01\x02")
    struct.pack_into("<H", content, at + 8, 0x1)
    return bytes(content)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"PK\x03\x04 not a package", "no .xlsx workbook"),
        (b"", "no .xlsx workbook"),
        (_package({"content.xml": b"<x/>"}), "OpenDocument"),
        (_package({"readme": b"x"}), "another kind"),
        (_package({"xl/workbook.xml": b"<x/>", "xl/vbaProject.bin": b"x"}), "macros"),
        (_package({"xl/workbook.xml": b"<broken"}), "damaged"),
        (_package({"xl/workbook.xml": b"0" * 20_000_000}), "unpacks to far more"),
        (_package({"xl/workbook.xml": b"<x/>"} | {f"m{n}": b"" for n in range(1001)}), "unpacks to far more"),
        (_encrypted(), "password"),
    ],
    ids=["garbage", "nothing", "ods", "zip", "macros", "broken", "bomb", "many parts", "password"],
)
def test_other_packages_are_refused(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "t.xlsx"
    path.write_bytes(content)
    start = time.monotonic()
    with pytest.raises(UnreadableError) as error:
        read_table(path)
    assert words in str(error.value)
    assert time.monotonic() - start < 5


def _with_sheet(tmp_path: Path, xml: str) -> Path:
    """Put a hand-made sheet into a sound workbook."""
    path = save(tmp_path, [["study", "n"], ["A", 1]])
    with zipfile.ZipFile(path) as package:
        members = {name: package.read(name) for name in package.namelist()}
    members["xl/worksheets/sheet1.xml"] = xml.encode()
    path.write_bytes(_package(members))
    return path


SHEET = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">{dimension}<sheetData>{rows}</sheetData></worksheet>'
ROW = '<row r="{r}"><c r="A{r}" t="inlineStr"><is><t>{a}</t></is></c><c r="B{r}" t="inlineStr"><is><t>{b}</t></is></c></row>'


def test_a_sheet_that_claims_a_million_rows_is_walked_not_believed(tmp_path: Path) -> None:
    rows = (
        ROW.format(r=1, a="study", b="n")
        + ROW.format(r=2, a="A", b="1")
        + ROW.format(r=1048576, a="far", b="9")
    )
    start = time.monotonic()
    read = read_table(
        _with_sheet(tmp_path, SHEET.format(dimension='<dimension ref="A1:XFD1048576"/>', rows=rows))
    )
    assert read.columns == {"study": ("A",), "n": ("1",)}
    assert time.monotonic() - start < 5


def test_entity_bombs_are_refused(tmp_path: Path) -> None:
    bomb = '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>' + SHEET.format(
        dimension="", rows=ROW.format(r=1, a="&b;", b="n")
    )
    with pytest.raises(UnreadableError, match="damaged"):
        read_table(_with_sheet(tmp_path, bomb))


def test_hidden_rows_columns_and_sheets_are_told(tmp_path: Path) -> None:
    path = save(tmp_path, [["study", "n", "m"], ["A", 1, 2], ["B", 2, 3], [], ["C", 4, 5]], ("Other", []))
    assert read_table(path).told == ()
    book = openpyxl.load_workbook(path)
    sheet = book["Sheet"]
    for row in (3, 4, 5):
        sheet.row_dimensions[row].hidden = True
    sheet.column_dimensions.group("B", "D", hidden=True)
    book.save(path)
    (told,) = read_table(path).told
    assert (
        told == "Sheet 'Sheet': rows 3, 5 and columns B, C are hidden or filtered out, and read all the same."
    )
    book.active = 1
    sheet.sheet_state = "veryHidden"
    book.save(path)
    (told,) = read_table(path).told
    assert told.startswith("Sheet 'Sheet' is hidden, rows 3, 5 and columns B, C in it too, and read")


@pytest.mark.parametrize("said", ['hidden="true"', 'ht="0" customHeight="1"'])
def test_rows_hidden_in_other_words_are_told(tmp_path: Path, said: str) -> None:
    rows = ROW.format(r=1, a="study", b="n") + ROW.format(r=2, a="A", b="1").replace("<row", f"<row {said}")
    read = read_table(_with_sheet(tmp_path, SHEET.format(dimension="", rows=rows)))
    assert len(read) == 1 and "row 2 is hidden or filtered out" in read.told[0]


def test_a_hidden_column_hides_no_neighbour(tmp_path: Path) -> None:
    path = save(tmp_path, [["study", "n", "m", "o"], ["A", 1, 2, 3]])
    book = openpyxl.load_workbook(path)
    for hidden, told in (("A", "column A is"), ("C", "column C is"), ("D", "column D is")):
        sheet = book["Sheet"]
        for letter in "ABCD":
            sheet.column_dimensions[letter].hidden = letter == hidden
        book.save(path)
        (said,) = read_table(path).told
        assert told in said


def test_the_largest_table_is_read_and_one_row_more_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("metakit.forms.sheets.workbooks.MOST_ROWS", 3)
    rows: list[list[object]] = [["study", "n"], ["A", 1], ["B", 2], ["C", 3]]
    assert len(read_table(save(tmp_path, rows))) == 3
    with pytest.raises(UnreadableError, match="too large"):
        read_table(save(tmp_path, [*rows, ["D", 4]]))
    monkeypatch.setattr("metakit.forms.sheets.workbooks.MOST_COLUMNS", 2)
    assert len(read_table(save(tmp_path, rows))) == 3
    with pytest.raises(UnreadableError, match="row 2 reaches column 3"):
        read_table(save(tmp_path, [["study", "n"], ["A", 1, 2]]))


def test_one_hidden_row_is_and_two_are(tmp_path: Path) -> None:
    path = save(tmp_path, [["study", "n"], ["A", 1], ["B", 2]])
    book = openpyxl.load_workbook(path)
    book["Sheet"].row_dimensions[2].hidden = True
    book.save(path)
    assert "row 2 is hidden or filtered out" in read_table(path).told[0]
    book["Sheet"].row_dimensions[3].hidden = True
    book.save(path)
    assert "rows 2, 3 are hidden" in read_table(path).told[0]
    book["Sheet"].row_dimensions[3].hidden = False
    book["Sheet"].column_dimensions["B"].hidden = True
    book.save(path)
    assert "row 2 and column B are hidden" in read_table(path).told[0]


def test_rows_that_end_early_are_filled_up_with_nothing(tmp_path: Path) -> None:
    read = read_table(save(tmp_path, [["study", "n", "note"], ["A", 1, "x"], ["B", 2], ["C"]]))
    assert read.columns == {"study": ("A", "B", "C"), "n": (1, 2, ""), "note": ("x", "", "")}
