"""A printed table turned into plain columns: what is unambiguous is read and told, what is not is asked."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import DataError, MetakitError, Problem, UsageError
from metakit.forms.printed_tables.cells import CellReader, uses_decimal_comma
from metakit.forms.printed_tables.columns import Chosen, Column, Header, choose_columns, find_header
from metakit.forms.printed_tables.grid import Grid, read_grid
from metakit.forms.printed_tables.headings import tidied
from metakit.forms.sheets.sheet_rows import Cell, text_problem
from metakit.forms.sheets.tables import Table, read_table, text_of

TOTALS = re.compile(
    r"(?:grand |sub[- ]?|over)?totals?|overall|all(?: studies| trials| series)?|sum|pooled|summary|combined",
    re.I,
)
MOST_SHOWN = 5
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    line: int
    cells: tuple[Cell, ...]


def read_printed_table(
    path: str | Path,
    wanted: Sequence[Sequence[str]],
    *,
    columns: Mapping[str, str] | None = None,
    sheet: str = "",
) -> Table:
    """Read a table as it was printed into the plain columns that an analysis needs.

    Parameters
    ----------
    path : str or Path
        A CSV file or an .xlsx workbook.
    wanted : sequence of sequence of str
        Sets of columns that would do, best first, without `study`.
    columns : mapping of str to str, optional
        Which heading holds which of them, where the reader cannot know.
    sheet : str
        The sheet of a workbook with several.

    Returns
    -------
    Table
        Columns by our names, all others by their headings; `told` says every reading that was not literal,
        `left_out` the studies whose numbers are not printed.

    Raises
    ------
    UsageError
        When a reading must be asked for; with the first rows as understood and what to type.
    DataError
        With every cell that contradicts itself or can be read in two ways.
    """
    name = str(path)
    grid = read_grid(Path(path), name, sheet)
    return understood(grid, wanted, columns or {})


def read_printed_or_plain(
    path: str | Path,
    wanted: Sequence[Sequence[str]],
    *,
    columns: Mapping[str, str] | None = None,
    sheet: str = "",
) -> Table:
    """Read a table as printed, or, where that fails and half of our own names stand there, literally.

    The strict reader's messages about a table with our own column names are the better ones. Parameters and
    errors as for `read_printed_table`.
    """
    try:
        return read_printed_table(path, wanted, columns=columns, sheet=sheet)
    except MetakitError:
        if columns or sheet:
            raise
        table = read_table(path)
        if any(2 * sum(name in table.columns for name in names) >= len(names) for names in wanted):
            return table
        raise


def understood(grid: Grid, wanted: Sequence[Sequence[str]], named: Mapping[str, str]) -> Table:
    """Turn the rows of a grid into columns; see `read_printed_table`."""
    problems = list(grid.problems)
    if not grid.rows:
        problems.append(
            Problem(file=grid.file, what="the table is empty", hint="a header, then one row a study")
        )
        raise DataError(problems)
    header = find_header(grid, wanted)
    width = len(header.headings)
    body = [_Row(line=line, cells=cells) for line, cells in grid.rows[header.below :]]
    told = list(grid.told)
    for line, cells in grid.rows[: header.below - 1]:
        if sum(bool(_NUMBER.fullmatch(str(cell).strip())) for cell in cells) > 1:
            what = "a row of numbers above the header; a study's?"
            hint = "move it below the header, or delete it"
            problems.append(
                Problem(file=grid.file, line=line, what=what, found=str(cells[0])[:80], hint=hint)
            )
    if header.titles:
        told.append(f"{_count(header.titles, 'row')} above the header left out.")
    chosen = choose_columns(header, wanted, named, [row.cells for row in body])
    if chosen.question or "study" not in chosen.columns or len(chosen.columns) < 2:
        raise UsageError(_asked(grid, header, chosen, wanted))
    told += chosen.told
    needed = {ours: column for ours, column in chosen.columns.items() if ours != "study"}
    rows = _studies(body, chosen.columns["study"], needed, width, told, problems, grid.file)
    if not rows and not problems:
        problems.append(
            Problem(
                file=grid.file, what="the table has a header and no rows", hint="one row a study, below it"
            )
        )
    commas = {
        c.index: uses_decimal_comma([_at(row, c.index) for row in rows], ours) for ours, c in needed.items()
    }
    for index in (index for index, comma in commas.items() if comma):
        told.append(f"The column {header.headings[index].text!r} has decimal commas.")
    reader = CellReader(grid.file, grid.letters, {k: v for k, v in commas.items() if v}, problems, told)
    read: dict[str, list[Cell]] = {ours: [] for ours in needed}
    kept: list[_Row] = []
    left_out: list[tuple[str, str]] = []
    study_at = chosen.columns["study"].index
    for row in rows:
        values, absent = reader.row(row.line, row.cells, needed)
        if absent:
            name, reason = (
                text_of(_at(row, study_at)) or f"row {row.line}",
                f"{' and '.join(absent)} not reported",
            )
            left_out.append((name, reason))
            told.append(f"Row {row.line} ({name!r}) is set aside: {reason}.")
            continue
        kept.append(row)
        for ours, value in values.items():
            read[ours].append(value)
    kept, read = _without_sums(kept, read, study_at, told)
    if problems:
        raise DataError(sorted(dict.fromkeys(problems), key=lambda problem: problem.line or 0))
    taken = {column.index for column in chosen.columns.values()}
    others = _other_columns(header, kept, taken, grid.file)
    return Table(
        file=grid.file,
        columns={
            "study": tuple(_at(row, study_at) for row in kept),
            **{ours: tuple(values) for ours, values in read.items()},
            **others,
        },
        lines=tuple(row.line for row in kept),
        letters={
            name: grid.letters[column.index]
            for name, column in chosen.columns.items()
            if column.index < len(grid.letters)
        },
        told=tuple(dict.fromkeys(told)),
        left_out=tuple(left_out),
    )


def _at(row: _Row, index: int) -> Cell:
    return row.cells[index] if index < len(row.cells) else ""


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _studies(
    body: Sequence[_Row],
    study: Column,
    needed: Mapping[str, Column],
    width: int,
    told: list[str],
    problems: list[Problem],
    file: str,
) -> list[_Row]:
    """Return the rows of studies: without totals, footnotes and headings between, each told."""
    indices = sorted({column.index for column in needed.values()})
    last = max((at for at, row in enumerate(body) if any(_at(row, i) != "" for i in indices)), default=-1)
    rows: list[_Row] = []
    for at, row in enumerate(body):
        name = text_of(_at(row, study.index)).strip()
        empty = all(_at(row, index) == "" for index in indices)
        for cell in row.cells:
            what = text_problem(cell)
            if what:
                problems.append(Problem(file=file, line=row.line, what=what, found=ascii(cell)[1:80]))
        if empty and at > last:
            told.append(f"Row {row.line} below the studies is a footnote and left out.")
            continue
        if len(row.cells) > width and any(cell != "" for cell in row.cells[width:]):
            problems.append(
                Problem(
                    file=file, line=row.line, what=f"{len(row.cells)} cells in a table of {width} columns",
                    hint="a decimal comma (write 3.2), or a text that holds the separator (quote it)?",
                )
            )  # fmt: skip
            continue
        if empty and name and sum(cell != "" for cell in row.cells) == 1:
            told.append(f"Row {row.line} ({name[:40]!r}) holds no numbers and is taken for a heading.")
            continue
        if TOTALS.fullmatch(tidied(name)):
            told.append(f"Row {row.line} ({name!r}) is a total and left out.")
            continue
        rows.append(row)
    return rows


def _without_sums(
    rows: list[_Row], read: dict[str, list[Cell]], study: int, told: list[str]
) -> tuple[list[_Row], dict[str, list[Cell]]]:
    """Leave out a last row whose counts are all the sums of those above: a total without its name."""
    counts = [
        ours
        for ours in read
        if ours.startswith(("events", "total", "time")) and all(map(_numeric, read[ours]))
    ]
    if len(rows) < 3 or len(counts) < 2:
        return rows, read
    for ours in counts:
        values = [float(str(value)) for value in read[ours]]
        if abs(sum(values[:-1]) - values[-1]) > 1e-9 * max(1.0, abs(values[-1])):
            return rows, read
    last = rows[-1]
    told.append(f"Row {last.line} ({text_of(_at(last, study))!r}) equals the sums above: a total, left out.")
    return rows[:-1], {ours: values[:-1] for ours, values in read.items()}


def _numeric(value: Cell) -> bool:
    try:
        float(str(value))
    except ValueError:
        return False
    return True


def _other_columns(
    header: Header, rows: Sequence[_Row], taken: set[int], file: str
) -> dict[str, tuple[Cell, ...]]:
    others: dict[str, tuple[Cell, ...]] = {}
    for index, heading in enumerate(header.headings):
        if index in taken or not heading.text:
            continue
        name = heading.text if heading.text not in others else f"{heading.text} ({index + 1})"
        others[name] = tuple(_at(row, index) for row in rows)
    return others


def _asked(grid: Grid, header: Header, chosen: Chosen, wanted: Sequence[Sequence[str]]) -> str:
    """Say what could not be known, the first rows as they stand, and what to type."""
    headings = [heading.text or "(no heading)" for heading in header.headings]
    sets = "; or ".join(", ".join(("study", *columns)) for columns in wanted)
    lines = [
        f"{grid.file}: {chosen.question or 'the columns cannot be told from their headings'}",
        f"  needed: {sets}",
        f"  headings (row {header.lines[-1]}): {' | '.join(headings)}",
    ]
    for line, cells in grid.rows[header.below : header.below + MOST_SHOWN]:
        lines.append(f"  row {line}: {' | '.join(str(cell) for cell in cells)}")
    pairs = _suggested(header, chosen, wanted[0])
    lines.append(f"  name the columns: --columns {shlex.quote(pairs)}")
    return "\n".join(lines)


def _suggested(header: Header, chosen: Chosen, columns: Sequence[str]) -> str:
    found = {ours: column.text for ours, column in chosen.columns.items()}
    free = [
        heading.text for heading in header.headings if heading.text and heading.text not in found.values()
    ]
    by_role = {heading.role: heading.text for heading in reversed(header.headings) if heading.role}
    pairs = []
    for ours in ("study", *columns):
        base = ours.rsplit("_", 1)[0] if ours.endswith(("_1", "_2")) else ours
        guess = found.get(ours) or by_role.get(base) or (free[0] if free else "HEADING")
        pairs.append(f"{ours}={guess}")
    return ",".join(pairs)
