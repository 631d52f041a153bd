"""Cells of a table read as numbers: taken as they are meant, or refused with what to write instead."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, SupportsFloat

import numpy as np

from metakit.errors import DataError, Problem, UsageError
from metakit.forms.typed_numbers import Refused, parse_unaided
from metakit.measures.column_rules import ColumnRule

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawTable:
    """A table of cells: columns by name, the file they come from and the line of each row in it.

    `letters` holds the column letters of a workbook.
    """

    columns: Mapping[str, Sequence[object]]
    lines: Sequence[int]
    file: str = "table"
    letters: Mapping[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.lines)

    def field_at(self, name: str, row: int) -> str:
        """Return a column's name for a message, with the cell's address where the table is a workbook."""
        letter = self.letters.get(name)
        return f"{name} (cell {letter}{self.lines[row]})" if letter else name


def raw_table(
    frame: pd.DataFrame | Mapping[str, Sequence[object]],
    *,
    file: str = "table",
    lines: Sequence[int] | None = None,
    letters: Mapping[str, str] | None = None,
) -> RawTable:
    """Return the cells of a pandas frame or of a mapping of columns.

    Parameters
    ----------
    frame : DataFrame or mapping of str to sequence
        Columns of one length with distinct names.
    file : str
        What messages call the table.
    lines : sequence of int, optional
        Line of each row; by default rows are counted from 1.
    letters : mapping of str to str, optional
        Column letters of a workbook.

    Raises
    ------
    DataError
        For two columns of one name, columns of unequal length, or no row.
    """
    if isinstance(frame, Mapping):
        named = [(str(name), _listed(str(name), column)) for name, column in frame.items()]
    else:
        named = [
            (str(name), frame.iloc[:, place].tolist()) for place, name in enumerate(frame.columns.tolist())
        ]
    problems = []
    names = [name for name, _ in named]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        problems.append(
            Problem(
                file=file,
                field=name,
                what=f"{names.count(name)} columns have this name",
                hint="rename one, or delete it",
            )
        )
    lengths = {name: len(column) for name, column in named}
    k = max(lengths.values(), default=0)
    for name, length in lengths.items():
        if length != k:
            problems.append(
                Problem(
                    file=file,
                    field=name,
                    what="the column is too short",
                    found=f"{length} rows",
                    allowed=f"{k} rows",
                )
            )
    if k == 0:
        problems.append(
            Problem(file=file, what="the table has no studies", hint="one row a study, below the header")
        )
    if problems:
        raise DataError(problems)
    return RawTable(
        columns=dict(named), lines=tuple(lines or range(1, k + 1)), file=file, letters=letters or {}
    )


def _listed(name: str, column: object) -> list[object]:
    if isinstance(column, str) or not hasattr(column, "__iter__"):
        raise UsageError(f"column {name!r} must be a sequence with one value a study, not {column!r}")
    return list(column.tolist() if hasattr(column, "tolist") else column)


def is_blank(cell: object) -> bool:
    """Say whether a cell holds nothing: None, not-a-number, a missing value of pandas, or only spaces."""
    if cell is None or type(cell).__name__ in ("NAType", "NaTType"):
        return True
    if isinstance(cell, str):
        return not cell.strip()
    return isinstance(cell, (float, np.floating)) and math.isnan(cell)


def read_number(cell: object) -> float:
    """Return the number in a cell.

    Raises
    ------
    Refused
        For anything that is not one finite number, with what is allowed or what to write.
    """
    if type(cell) is float and math.isfinite(cell):  # nearly all: a plan asks for millions of them
        return cell
    if is_blank(cell):
        raise Refused("empty", hint="a study without this number cannot be used here; delete its row")
    if isinstance(cell, str):
        return parse_unaided(cell)
    if isinstance(cell, (bool, np.bool_)):
        raise Refused("a truth value, not a number", allowed="a number such as 3.2")
    if isinstance(cell, datetime.date):
        likely = f"{cell.month}/{cell.day} or {cell.day}/{cell.month}"
        raise Refused("a date, not a number", hint=f"perhaps {likely} was typed; write one number a cell")
    if isinstance(cell, SupportsFloat) and not isinstance(cell, complex):
        try:
            value = float(cell)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            raise Refused("not a finite number", allowed="a number such as 3.2")
        return value
    raise Refused("not a number", allowed="a number such as 3.2")


def read_checked(cell: object, rule: ColumnRule, *, effective_numbers: bool) -> float:
    """Return the number in a cell that its column's rule accepts.

    With `effective_numbers` a count need not be whole.

    Raises
    ------
    Refused
        With what is allowed.
    """
    value = read_number(cell)
    if not rule.accepts(value):
        raise Refused("outside of what is possible", allowed=rule.allowed)
    if rule.whole and not effective_numbers and value != math.floor(value):
        raise Refused(
            "not a whole number",
            allowed=rule.allowed,
            hint="a count has no decimals; effective numbers need effective_numbers=True in Python",
        )
    return value
