"""Workbooks read as values, with limits that hold before anything is unpacked."""

from __future__ import annotations

import datetime
import unicodedata
import warnings
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils import get_column_letter

from metakit.errors import Problem, UnreadableError
from metakit.forms.sheets.rich_text import hidden_words, is_hidden, marked, open_workbook, unusual_fonts
from metakit.forms.sheets.sheet_rows import (
    MOST_COLUMNS,
    MOST_ROWS,
    STRUCK,
    STRUCK_HINT,
    STRUCK_PART,
    STRUCK_ROW,
    Cell,
    SheetRows,
)

LARGEST_FILE = 20_000_000
LARGEST_UNPACKED = 200_000_000
LARGEST_RATIO = 100
SMALL_UNPACKED = 10_000_000
MOST_MEMBERS = 1_000
EMPTY_ROWS_AT_END = 1_000


def read_workbook(path: Path, name: str, sheet: str = "") -> SheetRows:
    """Read the rows of a workbook's table.

    The table is on the only filled sheet, or on the only one whose header has a column `study`. Cells are
    read as the values that the workbook last showed; a formula never calculated is a problem, not a blank.

    Raises
    ------
    UnreadableError
        When the file is no .xlsx workbook, is damaged, carries macros, or is beyond the limits.
    """
    check_package(path, name)
    content = path.read_bytes()  # from memory: the reader leaves a damaged file open
    with warnings.catch_warnings():
        # openpyxl warns of extensions that it leaves out (colours, drop-downs); none of them holds a value.
        warnings.simplefilter("ignore")
        try:
            values = open_workbook(content, data_only=True)
            formulas = open_workbook(content, data_only=False)
        except Exception as error:  # a damaged package fails in many ways inside the reader
            raise _stop(
                name, f"the workbook is damaged ({type(error).__name__})", hint="save it again as .xlsx"
            ) from None
        try:
            return _read(values, formulas, name, sheet)
        except UnreadableError:
            raise
        except Exception as error:
            raise _stop(
                name, f"the workbook is damaged ({type(error).__name__})", hint="save it again as .xlsx"
            ) from None
        finally:
            values.close()
            formulas.close()


def _stop(name: str, what: str, *, allowed: str = "", hint: str = "") -> UnreadableError:
    return UnreadableError([Problem(file=name, what=what, allowed=allowed, hint=hint)])


def check_package(path: Path, name: str) -> None:
    """Refuse what could do harm when unpacked, before anything is."""
    if not (openpyxl.DEFUSEDXML or openpyxl.LXML):
        raise _stop(
            name, "workbooks are not read without the library defusedxml", hint="install metakit again"
        )
    if path.stat().st_size > LARGEST_FILE:
        raise _stop(name, "the workbook is too large", allowed=f"at most {LARGEST_FILE:,} bytes")
    try:
        with zipfile.ZipFile(path) as package:
            members = package.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        hint = "save it as .xlsx without a password, or as CSV"
        raise _stop(name, "this is no .xlsx workbook, or it is damaged", hint=hint) from None
    names = {member.filename for member in members}
    unpacked = sum(member.file_size for member in members)
    packed = max(1, sum(member.compress_size for member in members))
    # The zip reader stops at the declared size of a member, so that declared sizes are a true bound.
    if (
        len(members) > MOST_MEMBERS
        or unpacked > LARGEST_UNPACKED
        or (unpacked > SMALL_UNPACKED and unpacked / packed > LARGEST_RATIO)
    ):
        megabytes = LARGEST_UNPACKED // 1_000_000
        allowed = f"at most {megabytes} MB unpacked, {LARGEST_RATIO} times its size, {MOST_MEMBERS} parts"
        raise _stop(name, "the workbook unpacks to far more than a table needs", allowed=allowed)
    if any(member.flag_bits & 0x1 for member in members):
        raise _stop(name, "the workbook has a password", hint="save it without one")
    if "xl/workbook.xml" not in names:
        kind = "an OpenDocument sheet" if "content.xml" in names else "a packed file of another kind"
        raise _stop(name, f"{kind}, not an .xlsx workbook", hint="save it as .xlsx, or as CSV")
    if "xl/vbaProject.bin" in names:
        raise _stop(name, "the workbook carries macros", hint="save it as .xlsx without macros")


def _read(values: Any, formulas: Any, name: str, wanted: str) -> SheetRows:
    filled: list[tuple[Any, list[tuple[int, list[Cell]]], list[Problem]]] = []
    titles = [sheet.title for sheet in values.worksheets]
    if wanted and wanted not in titles:
        raise _stop(name, f"there is no sheet {wanted!r}", allowed=", ".join(titles))
    for sheet in values.worksheets:
        problems: list[Problem] = []
        if wanted and sheet.title != wanted:
            continue
        rows = list(_rows(sheet, formulas[sheet.title], name, problems))
        if rows:
            filled.append((sheet, rows, problems))
    if len(filled) > 1:
        with_study = [item for item in filled if "study" in [str(cell).strip() for cell in item[1][0][1]]]
        if len(with_study) != 1:
            sheets = ", ".join(
                f"{item.title}{', hidden' if is_hidden(item) else ''}" for item, _, _ in filled
            )
            hint = "name one with --sheet, or keep one sheet"
            raise _stop(name, f"several sheets hold values ({sheets}); which is the table?", hint=hint)
        filled = with_study
    if not filled:
        return SheetRows(file=name, rows=(), exact=False)
    sheet, rows, problems = filled[0]
    width = max(len(cells) for _, cells in rows)
    letters = [get_column_letter(index) for index in range(1, width + 1)]
    held = {index for _, cells in rows for index, cell in enumerate(cells, start=1) if cell != ""}
    unseen = hidden_words(sheet, [number for number, _ in rows], held)
    told = (unseen,) if unseen else ()
    return SheetRows(file=name, rows=rows, exact=False, letters=letters, problems=problems, told=told)


def _rows(sheet: Any, formulas: Any, name: str, problems: list[Problem]) -> Iterator[tuple[int, list[Cell]]]:
    # A sheet's declared size can claim a million rows: rows are walked, and the walk ends after a long gap.
    sheet.reset_dimensions()
    formulas.reset_dimensions()
    empty = filled = 0
    fonts = unusual_fonts(formulas.parent)
    pairs = zip(sheet.iter_rows(values_only=True), formulas.iter_rows(), strict=False)
    for number, (shown, typed) in enumerate(pairs, start=1):
        cells, found = [], []
        whole = bool(fonts)
        for index, (value, cell) in enumerate(zip(shown, typed, strict=True)):
            font = fonts.get(getattr(cell, "_style_id", 0)) if fonts else None
            plain, struck_part = marked(value, font)
            cells.append(_cell(plain))
            struck = bool(font and font.strike) and cells[index] != ""
            whole = whole and (struck or cells[index] == "")
            where = f"cell {get_column_letter(index + 1)}{number}"
            if cell.value is not None and getattr(cell, "data_type", "") == "f" and cells[index] == "":
                hint = "open and save the workbook in a spreadsheet program, or type the value"
                found.append(
                    Problem(file=name, line=number, field=where, what="a formula without a value", hint=hint)
                )
            if struck or struck_part:
                what = STRUCK if struck else STRUCK_PART
                found.append(
                    Problem(
                        file=name, line=number, field=where, what=what,
                        found=str(cells[index])[:80], hint=STRUCK_HINT,
                    )
                )  # fmt: skip
        if whole and any(cell != "" for cell in cells):
            found = [Problem(file=name, line=number, what=STRUCK_ROW, hint=STRUCK_HINT)]
        problems += found
        while cells and cells[-1] == "":
            cells.pop()
        if len(cells) > MOST_COLUMNS:
            raise _stop(
                name, f"row {number} reaches column {len(cells):,}", allowed=f"at most {MOST_COLUMNS} columns"
            )
        if not cells:
            empty += 1
            if empty > EMPTY_ROWS_AT_END:
                return
            continue
        empty, filled = 0, filled + 1
        if filled > MOST_ROWS + 1:
            raise _stop(name, "the table is too large", allowed=f"at most {MOST_ROWS:,} rows")
        yield number, cells


def _cell(value: object) -> Cell:
    if value is None:
        return ""
    if isinstance(value, str):
        return unicodedata.normalize("NFC", value.strip())
    if isinstance(value, (bool, int, float, datetime.date, datetime.time)):
        return value
    return str(value)
