"""Workbooks and CSV folders read into grids; nothing is unpacked or followed that could do harm."""

from __future__ import annotations

import hashlib
import re
import tempfile
import warnings
import zipfile
from pathlib import Path
from typing import Any

from metakit.errors import Problem, UnreadableError
from metakit.forms.record_workbooks.grids import Book, Grid, GridCell, letters
from metakit.forms.record_workbooks.layout import CHOICES, EXAMPLE, HIDDEN, START
from metakit.forms.sheets.csv_tables import read_csv, unguarded
from metakit.forms.sheets.sheet_rows import MOST_COLUMNS, MOST_ROWS, STRUCK, STRUCK_PART

LARGEST_UNPACKED = 50_000_000
LARGEST_CSV = 20_000_000
EMPTY_ROWS = 1_000
LAST_ROW = 1_048_576
_OURS = {START, EXAMPLE, CHOICES, HIDDEN, "problems"}
_MERGE = re.compile(rb'<(?:\w+:)?mergeCell\s[^>]*?ref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"')


def read_book(path: Path) -> Book:
    """Read a workbook, a folder of CSV files, or such a folder zipped.

    Raises
    ------
    UnreadableError
        With one clear reason: open elsewhere, a password, macros, another kind of file, damaged, too large.
    """
    shown = str(path)
    if not path.exists():
        raise _stop(shown, "there is no such file")
    locks = (path.with_name(f"~${path.name}"), path.with_name(f".~lock.{path.name}#"))
    if path.name.startswith("~$") or any(lock.exists() for lock in locks):
        raise _stop(shown, "the file is open", hint="close the file in the spreadsheet program and try again")
    if path.is_dir():
        return _csv_book(sorted(path.glob("*.csv")), shown)
    with path.open("rb") as stream:
        start = stream.read(4)
    if start == b"\xd0\xcf\x11\xe0":
        raise _stop(
            shown, "an old .xls workbook, or one with a password", hint="save it as .xlsx without a password"
        )
    if path.suffix.lower() == ".xlsm":
        raise _stop(shown, "a workbook with macros", hint="save it as .xlsx; macros are never run")
    if path.suffix.lower() == ".zip":
        return _zipped(path, shown)
    return _workbook(path, shown)


def _stop(name: str, what: str, *, hint: str = "", allowed: str = "") -> UnreadableError:
    return UnreadableError([Problem(file=name, what=what, hint=hint, allowed=allowed)])


def _workbook(path: Path, shown: str) -> Book:
    from metakit.forms.sheets.rich_text import hidden_words, open_workbook, unusual_fonts
    from metakit.forms.sheets.workbooks import check_package

    check_package(path, shown)
    problems: list[Problem] = []
    with zipfile.ZipFile(path) as package:
        members = package.infolist()
        if sum(member.file_size for member in members) > LARGEST_UNPACKED:
            raise _stop(
                shown, "the workbook is too large", allowed=f"at most {LARGEST_UNPACKED:,} bytes unpacked"
            )
        if any(member.filename.startswith("xl/externalLinks/") for member in members):
            problems.append(
                Problem(file=shown, what="links to other files were not followed", severity="question")
            )
    books: list[Any] = []
    content = path.read_bytes()  # from memory: the reader leaves a damaged file open
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of colours and drop-downs that the reader leaves out
        try:
            typed = open_workbook(content, data_only=False)
            books.append(typed)
            raw = {
                sheet.title: _cells(sheet, shown)
                for sheet in typed.worksheets
                if sheet.title not in _OURS - {HIDDEN}
            }
            if any(cell.data_type == "f" for cells in raw.values() for cell in cells.values()):
                values = open_workbook(content, data_only=True)
                books.append(values)
                shown_values = {title: _cells(values[title], shown) for title in raw}
            else:
                shown_values = raw
            fonts = unusual_fonts(typed)
            grids = []
            for sheet in typed.worksheets:
                if sheet.title in raw:
                    cells = {
                        at: _cell(cell, shown_values[sheet.title].get(at), fonts)
                        for at, cell in raw[sheet.title].items()
                    }
                    merged = _merges(path, sheet._worksheet_path)
                    grids.append(Grid(file=shown, name=sheet.title, cells=cells, merged=merged))
                    rows, columns = {row for row, _ in cells}, {column for _, column in cells}
                    unseen = hidden_words(sheet, rows, columns) if sheet.title != HIDDEN else ""
                    if unseen:
                        problems.append(Problem(file=shown, what=unseen.rstrip("."), severity="question"))
        except UnreadableError:
            raise
        except Exception as error:  # a damaged package fails in many ways inside the reader
            raise _stop(
                shown, f"the workbook is damaged ({type(error).__name__})", hint="save it again as .xlsx"
            ) from None
        finally:
            for book in books:
                book.close()
    facts = _facts(next((grid for grid in grids if grid.name == HIDDEN), None), shown)
    return Book(
        file=shown,
        grids=tuple(grid for grid in grids if grid.name != HIDDEN),
        facts=facts,
        problems=tuple(problems),
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
    )


def _cells(sheet: Any, shown: str) -> dict[tuple[int, int], Any]:
    """Walk the rows that are there: a sheet's declared size can claim anything."""
    sheet.reset_dimensions()
    cells: dict[tuple[int, int], Any] = {}
    last = filled = 0
    for number, row in enumerate(sheet.iter_rows(), start=1):
        if number > LAST_ROW:
            raise _stop(shown, f"the sheet {sheet.title} has more rows than a sheet can have")
        some = [
            (c, cell)
            for c, cell in enumerate(row, start=1)
            if cell.value is not None and str(cell.value).strip()
        ]
        if not some:
            continue
        filled += 1
        where = f"{shown} > {sheet.title}!{letters(some[-1][0])}{number}"
        if number - last > EMPTY_ROWS:
            raise _stop(
                where, f"a value below more than {EMPTY_ROWS:,} empty rows", hint="delete it, or move it up"
            )
        if some[-1][0] > MOST_COLUMNS or filled > MOST_ROWS:
            raise _stop(
                where,
                "the sheet is too large",
                allowed=f"at most {MOST_ROWS:,} rows and {MOST_COLUMNS} columns",
            )
        last = number
        cells.update({(number, column): cell for column, cell in some})
    return cells


def _cell(typed: Any, shown: Any, fonts: dict[int, Any]) -> GridCell:
    from metakit.forms.sheets.rich_text import marked

    formula = typed.data_type == "f"
    value = typed.value if not formula else (shown.value if shown is not None else None)
    if formula and value is None:
        return GridCell("", formula=True, problem="a formula without a value")
    font = fonts.get(typed._style_id)
    value, struck_part = marked(value, font)
    if struck_part or (font is not None and font.strike):
        return GridCell(value, problem=STRUCK_PART if struck_part else STRUCK)
    if (shown is not None and shown.data_type == "e") or typed.data_type == "e":
        return GridCell(value, problem="an error value of the spreadsheet")
    return GridCell(value, typed.number_format or "General", formula)


def _merges(path: Path, part: str) -> tuple[tuple[int, int, int, int], ...]:
    found = []
    with zipfile.ZipFile(path) as package, package.open(part.lstrip("/")) as stream:
        for left, top, right, bottom in _MERGE.findall(stream.read(LARGEST_UNPACKED)):
            found.append((int(top), _number(left), int(bottom), _number(right)))
    return tuple(found)


def _number(name: bytes) -> int:
    value = 0
    for sign in name:
        value = value * 26 + sign - 64
    return value


def _facts(grid: Grid | None, shown: str) -> dict[str, str]:
    if grid is None:
        what = "the workbook does not say which form it follows"
        raise _stop(shown, what, hint="start from a workbook of 'metakit sheet', or copy the values into one")
    return {
        str(cell.value): str(grid.cells[row, 2].value)
        for (row, column), cell in grid.cells.items()
        if column == 1 and (row, 2) in grid.cells
    }


def _csv_book(files: list[Path], shown: str) -> Book:
    facts: dict[str, str] = {}
    grids = []
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.read_bytes())
        rows = read_csv(file, str(Path(shown) / file.name))
        cells = {
            (line, column): GridCell(unguarded(text))
            for line, row in rows.rows
            for column, text in enumerate(map(str, row), start=1)
            if text
        }
        grid = Grid(file=rows.file, name=file.stem, cells=cells, workbook=False)
        if file.stem == HIDDEN:
            facts = _facts(grid, shown)
        else:
            grids.append(grid)
    if not facts:
        raise _stop(
            shown,
            f"the folder has no {HIDDEN}.csv, which says the form",
            hint="start from 'metakit sheet --csv'",
        )
    return Book(file=shown, grids=tuple(grids), facts=facts, sha256=digest.hexdigest())


def _zipped(path: Path, shown: str) -> Book:
    try:
        with zipfile.ZipFile(path) as package, tempfile.TemporaryDirectory() as folder:
            members = [member for member in package.infolist() if not member.is_dir()]
            if len(members) > 100 or sum(member.file_size for member in members) > LARGEST_CSV:
                raise _stop(
                    shown,
                    "too many or too large files",
                    allowed=f"at most 100 files and {LARGEST_CSV:,} bytes",
                )
            files = []
            for member in members:
                name = Path(member.filename).name  # folders in the archive are left out, '..' with them
                if name.endswith(".csv") and not name.startswith((".", "~")):
                    target = Path(folder) / name
                    if target.exists():
                        raise _stop(
                            f"{shown} > {name[:80]}",
                            "the archive holds two files of this name",
                            hint="leave one out",
                        )
                    target.write_bytes(package.read(member))
                    files.append(target)
            return _csv_book(sorted(files), shown)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, OSError):
        raise _stop(shown, "the archive is damaged, or it has a password") from None
