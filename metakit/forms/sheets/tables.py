"""Plain tables, one row a study: read from CSV or a workbook without guessing what a cell means."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import DataError, Problem, UnreadableError, nearest_names
from metakit.forms.sheets.csv_tables import read_csv
from metakit.forms.sheets.sheet_rows import Cell, SheetRows, text_problem
from metakit.forms.typed_numbers import Refused, parse_unaided


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table as it stands in its file.

    `columns` maps each name of the header to its cells, in file order; text stays text ('NA', '007', '1e3'),
    a workbook's numbers and dates stay what they are, an empty cell is ''. `lines` are the row numbers as
    people count them in the file; `letters` the column letters of a workbook, empty for CSV. `told` says what
    was not read literally, `left_out` which studies have no numbers, with the reason.
    """

    file: str
    columns: Mapping[str, tuple[Cell, ...]]
    lines: tuple[int, ...]
    letters: Mapping[str, str]
    told: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()

    def __len__(self) -> int:
        return len(self.lines)

    def problem(self, row: int, column: str, refused: Refused) -> Problem:
        """Describe a refused cell: row of the table (from 0), column name, reason."""
        letter = self.letters.get(column, "")
        where = f"{column} (cell {letter}{self.lines[row]})" if letter else column
        return Problem(
            file=self.file,
            line=self.lines[row],
            field=where,
            what=refused.what,
            found=str(self.columns[column][row])[:80],
            allowed=refused.allowed,
            hint=refused.hint,
        )


def read_table(path: str | Path) -> Table:
    """Read a table with a header from a CSV file or an .xlsx workbook.

    Parameters
    ----------
    path : str or Path
        CSV in UTF-8 with comma, semicolon or tab, or a workbook whose table starts with its header.

    Returns
    -------
    Table

    Raises
    ------
    UnreadableError
        When the file is missing, of another type or encoding, damaged, or too large.
    DataError
        With all problems of the table itself: two columns of one name, columns without a name, rows with too
        many or too few cells, formulas without a value, no rows.
    """
    file = Path(path)
    name = str(path)
    if not file.is_file():
        what = "this is a folder, not a table" if file.is_dir() else "there is no such file"
        raise UnreadableError([Problem(file=name, what=what)])
    try:
        with file.open("rb") as stream:
            start = stream.read(8)
    except OSError as error:
        hint = "is it open in another program? close it and try again"
        raise UnreadableError(
            [Problem(file=name, what=f"cannot be opened: {error.strerror}", hint=hint)]
        ) from None
    if start.startswith(b"PK") or file.suffix.lower() in (".xlsx", ".xlsm"):
        from metakit.forms.sheets.workbooks import read_workbook

        return _table(read_workbook(file, name))
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        what = "an old .xls workbook, or one with a password"
        raise UnreadableError(
            [Problem(file=name, what=what, hint="save it as .xlsx without a password, or as CSV")]
        )
    return _table(read_csv(file, name))


def _table(rows: SheetRows) -> Table:
    """Turn rows of cells into columns, or raise with everything that is wrong with their shape."""
    problems = list(rows.problems)

    def add(what: str, *, line: int | None = None, field: str = "", found: str = "", hint: str = "") -> None:
        problems.append(Problem(file=rows.file, line=line, field=field, what=what, found=found, hint=hint))

    if not rows.rows:
        add("the table is empty", hint="a header, then one row a study")
        raise DataError(problems)
    header_line, header = rows.rows[0]
    names = [str(cell).strip() for cell in header]
    width = max((index + 1 for index, name in enumerate(names) if name), default=0)
    for index, name in enumerate(names[:width]):
        if not name:
            add(f"column {index + 1} has no name", line=header_line, hint="name it, or delete it")
    for name in dict.fromkeys(name for name in names if name and names.count(name) > 1):
        add(
            f"{names.count(name)} columns have this name",
            line=header_line,
            field=name,
            hint="rename one, or delete it",
        )
    if names and all(_is_number(name) for name in names[:width]):
        add("the first row holds numbers, not column names", line=header_line, hint="add a header row")
    for name in names:
        what = text_problem(name)
        if what:
            add(what, line=header_line, field=ascii(name)[1:-1])
    body: list[tuple[int, Sequence[Cell]]] = []
    for line, cells in rows.rows[1:]:
        filled = max((index + 1 for index, cell in enumerate(cells) if cell != ""), default=0)
        if rows.exact and len(cells) != len(names):
            add(
                f"{len(cells)} cells in a table of {len(names)} columns",
                line=line,
                hint="a decimal comma (write 3.2), or a text that holds the separator (quote it)?",
            )
            continue
        if filled > width:
            add(
                f"a value without a column name (column {filled})",
                line=line,
                found=str(cells[filled - 1])[:80],
            )
            continue
        body.append((line, (*cells[:width], *[""] * (width - len(cells)))))
        for name, cell in zip(names, cells, strict=False):
            what = text_problem(cell)
            if what:
                add(what, line=line, field=name, found=ascii(cell)[1:80])
    if not body and not problems:
        add("the table has a header and no rows", line=header_line, hint="one row a study, below the header")
    if problems:
        raise DataError(problems)
    return Table(
        file=rows.file,
        columns={name: tuple(cells[index] for _, cells in body) for index, name in enumerate(names[:width])},
        lines=tuple(line for line, _ in body),
        letters=dict(zip(names, rows.letters, strict=False)),
        told=tuple(rows.told),
    )


def _is_number(text: str) -> bool:
    try:
        parse_unaided(text)
    except Refused:
        return False
    return True


def number_of(cell: Cell) -> float:
    """Return the number in a cell.

    Raises
    ------
    Refused
        For anything else, with what to write; a date that a spreadsheet made of '3/15' is shown as typed.
    """
    if isinstance(cell, bool):
        raise Refused("a truth value, not a number", allowed="a number such as 3.2")
    if isinstance(cell, (datetime.date, datetime.time)):
        raise Refused("a date or time, not a number", hint=_likely_original(cell))
    if isinstance(cell, (int, float)):
        if not math.isfinite(cell):
            raise Refused("not a finite number", allowed="a number such as 3.2")
        return float(cell)
    if not cell.strip():
        raise Refused(
            "empty", allowed="a number such as 3.2", hint="a study without this number cannot be used here"
        )
    return parse_unaided(cell)


def _likely_original(cell: datetime.date | datetime.time) -> str:
    if isinstance(cell, datetime.time):
        return (
            f"perhaps {cell.hour}:{cell.minute:02d} was typed; write one number a cell, format it as a number"
        )
    typed = f"{cell.month}/{cell.day} or {cell.day}/{cell.month}"
    decimal = f"{cell.day}.{cell.month}"
    return (
        f"the spreadsheet turned what was typed into a date: perhaps {typed} (two cells, then) or {decimal}; "
        "format the column as numbers and type it again"
    )


def numeric_columns(table: Table, names: Iterable[str]) -> dict[str, list[float]]:
    """Return columns as numbers.

    Parameters
    ----------
    table : Table
        As read.
    names : iterable of str
        Columns that must be there and hold one number a row.

    Returns
    -------
    dict of str to list of float
        In the order asked for.

    Raises
    ------
    DataError
        With every missing column and every cell that holds no number: file, row, column, what to write.
    """
    problems: list[Problem] = []
    numbers: dict[str, list[float]] = {}
    for name in names:
        if name not in table.columns:
            hint = nearest_names(name, table.columns)
            problems.append(
                Problem(file=table.file, line=1, field=name, what="the table lacks this column", hint=hint)
            )
            continue
        numbers[name] = []
        for row, cell in enumerate(table.columns[name]):
            try:
                numbers[name].append(number_of(cell))
            except Refused as refused:
                problems.append(table.problem(row, name, refused))
    if problems:
        raise DataError(sorted(problems, key=lambda problem: problem.line or 0))
    return numbers


def free_columns(table: Table, used: Iterable[str]) -> dict[str, list[float | None] | list[str]]:
    """Return the columns that are not `used`: as numbers where every filled cell is one, else as text.

    An empty cell of a column of numbers is None, not zero and not text.
    """
    taken = set(used)
    free: dict[str, list[float | None] | list[str]] = {}
    for name, cells in table.columns.items():
        if name in taken:
            continue
        try:
            numbers = [None if text_of(cell).strip() == "" else number_of(cell) for cell in cells]
            free[name] = numbers if any(number is not None for number in numbers) else [""] * len(cells)
        except Refused:
            free[name] = [text_of(cell) for cell in cells]
    return free


def text_of(cell: Cell) -> str:
    """Return a cell as text: whole numbers without a point, dates as year-month-day."""
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat() if cell.time() == datetime.time() else cell.isoformat(" ")
    if isinstance(cell, (datetime.date, datetime.time)):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)
