"""Rows of cells as a file holds them, before they become a table."""

from __future__ import annotations

import datetime
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from metakit.errors import Problem
from metakit.forms.text_files import INVISIBLE

Cell = str | int | float | datetime.date | datetime.time
MOST_ROWS = 20_000
MOST_COLUMNS = 500
LONGEST_CELL = 32_000
STRUCK_PART = "struck-through text inside the cell"
STRUCK = "the cell is struck through; does it count?"
STRUCK_ROW = "the row is struck through; does it count?"
STRUCK_HINT = "delete what does not count, and take the line through what does away"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRows:
    """Filled rows with their numbers in the file, the header first.

    `exact` says that every row must have as many cells as the header (CSV); a workbook's rows may end early.
    `letters` are the column letters of a workbook.
    """

    file: str
    rows: Sequence[tuple[int, Sequence[Cell]]]
    exact: bool
    letters: Sequence[str] = ()
    problems: Sequence[Problem] = ()
    told: Sequence[str] = ()


def text_problem(cell: Cell) -> str:
    """Say what is wrong with the characters of a cell; empty when nothing is."""
    if not isinstance(cell, str):
        return ""
    if len(cell) > LONGEST_CELL:
        return f"a text of {len(cell):,} characters, at most {LONGEST_CELL:,}"
    for character in cell:
        control = unicodedata.category(character) in ("Cc", "Cs", "Co") and character not in "\n\r\t"
        if control or character in INVISIBLE:
            return f"an invisible or control character (U+{ord(character):04X}); delete it and type again"
    return ""
