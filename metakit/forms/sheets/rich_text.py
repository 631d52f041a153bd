"""Workbooks opened so that raised, lowered and struck-through text inside a cell is seen as what it is."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import openpyxl
from openpyxl.cell.read_only import EMPTY_CELL
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.worksheet._read_only import ReadOnlyWorksheet
from openpyxl.worksheet._reader import WorkSheetParser

_PLAIN = "0123456789+-=()eE"
_RAISED = str.maketrans(_PLAIN, "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻⁼⁽⁾ᵉᴱ")
_LOWERED = str.maketrans(_PLAIN, "₀₁₂₃₄₅₆₇₈₉₊₋₌₍₎ₑₑ")


def open_workbook(content: bytes, *, data_only: bool) -> Any:
    """Open a workbook row by row, texts with their runs; `data_only` gives values instead of formulas."""
    book: Any = openpyxl.load_workbook(
        io.BytesIO(content), read_only=True, data_only=data_only, keep_links=False, rich_text=True
    )
    for sheet in book.worksheets:
        sheet.__class__ = _RichSheet
    return book


def unusual_fonts(book: Any) -> dict[int, Any]:
    """Return the fonts that are raised, lowered or struck through, by the number of the cell style."""
    fonts = {number: book._fonts[style.fontId] for number, style in enumerate(book._cell_styles)}
    return {number: font for number, font in fonts.items() if font.strike or font.vertAlign}


def marked(value: object, font: Any = None) -> tuple[object, bool]:
    """Return a cell's value with raised and lowered digits as such characters, and whether part is struck.

    A raised '2' behind '3' becomes '3²', which no reader takes for 32. `font` is that of the whole cell.
    """
    shift = _shift(font)
    if isinstance(value, CellRichText):
        struck = False
        parts = []
        for run in value:
            inside = run.font if isinstance(run, TextBlock) else font
            parts.append(str(run).translate(_shift(inside)))
            struck |= isinstance(run, TextBlock) and bool(run.font.strike) and bool(str(run).strip())
        return "".join(parts), struck
    if shift and isinstance(value, str):
        return value.translate(shift), False
    if shift and isinstance(value, (int, float)) and not isinstance(value, bool):
        return f"{value!r}".translate(shift), False
    return value, False


def _shift(font: Any) -> dict[int, int]:
    place = getattr(font, "vertAlign", None)
    return _RAISED if place == "superscript" else _LOWERED if place == "subscript" else {}


class _RichSheet(ReadOnlyWorksheet):  # type: ignore[misc, unused-ignore]
    """A sheet of the reader that keeps the runs of texts written into the sheet itself.

    The library keeps those of the shared list of texts alone when it reads row by row.
    """

    def _cells_by_row(
        self, min_col: int, min_row: int, max_col: int | None, max_row: int | None, values_only: bool = False
    ) -> Iterator[tuple[Any, ...]]:
        sheet: Any = self  # what follows is not in the library's type stubs
        with sheet._get_source() as source:
            parser = WorkSheetParser(
                source,
                sheet._shared_strings,
                data_only=sheet.parent.data_only,
                epoch=sheet.parent.epoch,
                date_formats=sheet.parent._date_formats,
                timedelta_formats=sheet.parent._timedelta_formats,
                rich_text=True,
            )
            row = min_row
            for number, cells in parser.parse():
                if number < row:
                    raise ValueError("rows out of order")
                while row < number:  # rows that the file leaves out
                    row += 1
                    yield (None if values_only else EMPTY_CELL,) * (max_col or 0)
                yield sheet._get_row(cells, min_col, max_col, values_only)
                row += 1
