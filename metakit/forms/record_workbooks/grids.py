"""Sheets as cells with places, whatever file they come from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from metakit.core.values import Place
from metakit.errors import Problem, Severity


@dataclass(frozen=True, slots=True)
class GridCell:
    """A cell with something in it. `problem` says why its content cannot be used at all."""

    value: object
    number_format: str = "General"
    formula: bool = False
    problem: str = ""


@dataclass(slots=True, kw_only=True)
class Grid:
    """Filled cells of a sheet by row and column, both from 1.

    `merged` are ranges of merged cells: first row, first column, last row, last column. `on_its_side` says
    that rows and columns were exchanged for reading; places are those of the sheet all the same.
    """

    file: str
    name: str
    cells: Mapping[tuple[int, int], GridCell]
    merged: tuple[tuple[int, int, int, int], ...] = ()
    workbook: bool = True
    on_its_side: bool = False

    def place(self, row: int, column: int) -> Place:
        """Return the place of a cell: 'book.xlsx > arms!F14', or file, line and column of a CSV."""
        if not self.workbook:
            return Place(file=self.file, line=row, column=column)
        if self.on_its_side:
            row, column = column, row
        return Place(file=f"{self.file} > {self.name}!{letters(column)}{row}", line=row, column=column)

    def problem(
        self,
        row: int,
        column: int,
        what: str,
        *,
        field: str = "",
        found: str = "",
        allowed: str = "",
        hint: str = "",
        severity: Severity = "error",
    ) -> Problem:
        """Describe a problem at a cell."""
        place = self.place(row, column)
        return at_cell(
            Problem(
                file=place.file,
                line=place.line,
                column=place.column,
                what=what,
                field=field,
                found=" ".join(found.split())[:80],
                allowed=allowed,
                hint=hint,
                severity=severity,
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """All sheets of a file: grids by name, the hidden facts, and what was noticed on the way."""

    file: str
    grids: tuple[Grid, ...]
    facts: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    sha256: str = ""


def at_cell(problem: Problem) -> Problem:
    """Name the cell once: a cell's file says row and column already."""
    from dataclasses import replace

    return (
        replace(problem, line=None, column=None) if " > " in problem.file and "!" in problem.file else problem
    )


def letters(column: int) -> str:
    """Return the letters of a column number."""
    text = ""
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text
