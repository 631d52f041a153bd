"""Tables on their side: the entries of a group beside each other, their fields below each other."""

from __future__ import annotations

import re
from dataclasses import replace

from metakit.errors import Problem
from metakit.forms.record_workbooks.grids import Grid, GridCell
from metakit.forms.record_workbooks.layout import FIELD, HELP, UNIT, key_of

FIRST_ENTRY = 3  # column (from 0) of the first entry, behind field, unit and help
FEWEST, SPARE = 6, 3
_ENTRY = re.compile(r"entry_?\d*")


def entries_shown(filled: int) -> int:
    """Return how many columns for entries a sheet has: all filled ones and some to spare."""
    return max(FEWEST, filled + SPARE)


def heads_of(entries: int) -> list[str]:
    """Return the headings of the sheet."""
    return [FIELD, UNIT, HELP, *(f"entry {number}" for number in range(1, entries + 1))]


def turned(grid: Grid) -> tuple[Grid, list[Problem]]:
    """Exchange rows and columns of a sheet, without its headings, units and help.

    What then remains is a table: field names in its first row, an entry in each row below. A sheet whose row
    of headings is gone keeps everything, so that nothing is passed over in silence.

    Returns
    -------
    tuple of Grid and list of Problem
        The table, and values that stand in columns which are no entry's.
    """
    cells = grid.cells
    head = min((row for (row, _), cell in cells.items() if key_of(str(cell.value)) == FIELD), default=0)
    heads = {column: str(cell.value) for (row, column), cell in cells.items() if row == head}
    named = {
        column for column, text in heads.items() if key_of(text) == FIELD or _ENTRY.fullmatch(key_of(text))
    }
    aside = {column for column, text in heads.items() if key_of(text) in (key_of(UNIT), key_of(HELP))}
    kept: dict[tuple[int, int], GridCell] = {}
    problems: list[Problem] = []
    for (row, column), cell in sorted(cells.items(), key=lambda item: item[0]):
        if row <= head or column in aside:
            continue
        if head and column not in named:
            problems.append(_stray(grid, row, column, cell, heads.get(column, "")))
        else:
            kept[column, row] = cell
    merged = tuple((left, top, right, bottom) for top, left, bottom, right in grid.merged if top > head)
    return replace(grid, cells=kept, merged=merged, on_its_side=True), problems


def _stray(grid: Grid, row: int, column: int, cell: GridCell, heading: str) -> Problem:
    if not heading:
        what = "a value in a column without heading"
        return grid.problem(row, column, what, found=str(cell.value), allowed="entry 1, entry 2, ...")
    what = f"not read: the column '{heading[:40]}' is no entry"
    hint = "columns of entries are headed entry 1, entry 2, and so on"
    return grid.problem(row, column, what, found=str(cell.value), hint=hint, severity="question")
