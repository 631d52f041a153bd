"""Workbooks opened so that raised, lowered and struck-through text inside a cell is seen as what it is."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

import openpyxl
from openpyxl.cell.read_only import EMPTY_CELL
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.utils import get_column_letter
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


def is_hidden(sheet: Any) -> bool:
    """Whether a sheet opened here is hidden."""
    return bool(sheet.sheet_state != "visible")


def hidden_words(sheet: Any, rows: Collection[int], columns: Collection[int]) -> str:
    """Say what of a sheet's filled rows and columns is hidden or filtered out; call it behind a walk.

    Parameters
    ----------
    sheet : sheet of `open_workbook`
        Already walked: the facts stand beside the cells in its file.
    rows, columns : collection of int
        Numbers, from 1, of those that hold values.

    Returns
    -------
    str
        One sentence, empty when all of it is seen.
    """
    parser = getattr(sheet, "walked", None)
    seen = getattr(parser, "row_dimensions", {})
    out = [number for number in sorted(rows) if _unseen(seen.get(str(number), {}), "ht")]
    ranges = [
        range(int(facts["min"]), int(facts.get("max", facts["min"])) + 1)
        for facts in getattr(parser, "column_dimensions", {}).values()
        if _unseen(facts, "width")
    ]
    gone = [get_column_letter(number) for number in sorted(columns) if any(number in one for one in ranges)]
    parts = [
        f"{what}{'' if len(names) == 1 else 's'} {listed(names)}"
        for what, names in (("row", [str(number) for number in out]), ("column", gone))
        if names
    ]
    if is_hidden(sheet):
        within = f", {' and '.join(parts)} in it too," if parts else ","
        return f"Sheet {sheet.title!r} is hidden{within} and read all the same."
    if not parts:
        return ""
    verb = "is" if len(out) + len(gone) == 1 else "are"
    return (
        f"Sheet {sheet.title!r}: {' and '.join(parts)} {verb} hidden or filtered out, and read all the same."
    )


def listed(names: Sequence[str], most: int = 12) -> str:
    """Return the first names of a list, and how many more there are."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _unseen(facts: Mapping[str, str], size: str) -> bool:
    """Whether a row or column is hidden, which a filter does as well, or has no height or width."""
    try:
        return facts.get("hidden", "0") in ("1", "true") or float(facts.get(size, 1)) == 0
    except ValueError:
        return False


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
            sheet.walked = parser
            row = min_row
            for number, cells in parser.parse():
                if number < row:
                    raise ValueError("rows out of order")
                while row < number:  # rows that the file leaves out
                    row += 1
                    yield (None if values_only else EMPTY_CELL,) * (max_col or 0)
                yield sheet._get_row(cells, min_col, max_col, values_only)
                row += 1
