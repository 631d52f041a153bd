"""Tables in Word documents: real tables with a heading row that is repeated on each page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations
from math import ceil

from docx.document import Document as WordDocument
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm, Pt
from docx.table import Table, _Cell, _Row

from metakit.report.word_documents.word_document import write_text

SHADE = "EEF3F6"
RULE = "808080"
WIDE = 0.62
"""Width of a letter of bold type, as a fraction of its size."""
MM_A_POINT = 25.4 / 72
MARGINS_MM = 2.9
"""Space beside the text in a cell."""
LONGEST = 22
"""Letters beyond which a word (an address, an id) may be broken."""
LETTER = 0.5
"""Width of a letter of running text, as a fraction of its size."""
LEADING = 1.2
SMALL = 8.0
"""Size of type in a table with tall rows, in points."""
TALLEST_MM = 60.0
"""Height from which on a row may go on in the next page: kept whole, it would leave this one half empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WordRow:
    """One row. `whole` makes one wide cell of the first text, its first line bold unless not `strong`.

    `heading` sets the row bold on a ground; `led` keeps it on the page of the row below.
    """

    cells: tuple[str, ...]
    whole: bool = False
    heading: bool = False
    strong: bool = True
    led: bool = False


def add_table(
    document: WordDocument,
    header: Sequence[str],
    rows: Sequence[WordRow],
    *,
    widths_mm: Sequence[float],
    size: float = 8.5,
    caption: str = "",
) -> None:
    """Add a table: a heading row repeated on each page, rows that stay whole unless they are tall.

    Parameters
    ----------
    document : Document
    header : sequence of str
    rows : sequence of WordRow
    widths_mm : sequence of float
        One width a column.
    size : float
        Type size in points; smaller where rows are tall.
    caption : str
        Bold line above; "" where a numbered caption stands there already.
    """
    if caption:
        title = document.add_paragraph()
        title.paragraph_format.keep_with_next = True
        write_text(title, caption).bold = True
    plain = [row.cells for row in rows if not row.whole]
    widths_mm = fitted_widths(widths_mm, [header, *plain], size=size)
    if any(height_mm(cells, widths_mm, size=size) > TALLEST_MM for cells in plain):
        size = min(size, SMALL)
        widths_mm = balanced_widths(widths_mm, [header, *plain], size=size)
    table = document.add_table(rows=1, cols=len(header))
    table.autofit = False
    _rule(table)
    for column, width in zip(table.columns, widths_mm, strict=True):
        column.width = Mm(width)
    _fill(table.rows[0], header, widths_mm, size=size, bold=True, shade=SHADE)
    _mark(table.rows[0], "w:cantSplit")
    _mark(table.rows[0], "w:tblHeader")
    for row in rows:
        made = table.add_row()
        if height_mm(row.cells, [sum(widths_mm)] if row.whole else widths_mm, size=size) <= TALLEST_MM:
            _mark(made, "w:cantSplit")
        shade = SHADE if row.heading else ""
        if row.whole:
            _set_widths(made, widths_mm)
            merged = made.cells[0].merge(made.cells[-1])
            _write(merged, row.cells[0], size=size, bold=row.heading, shade=shade)
            merged.paragraphs[0].runs[0].bold = row.strong
        else:
            _fill(made, row.cells, widths_mm, size=size, bold=row.heading, shade=shade)
        for paragraph in (paragraph for cell in made.cells for paragraph in cell.paragraphs if row.led):
            paragraph.paragraph_format.keep_with_next = True
    document.add_paragraph().paragraph_format.space_after = Pt(0)


def height_mm(cells: Sequence[str], widths_mm: Sequence[float], *, size: float) -> float:
    """Return about how high a row is, from the letters of its cells.

    Examples
    --------
    >>> round(height_mm(["x" * 100, "short"], [30.0, 30.0], size=8.5))
    22
    """
    letters = [max((width - MARGINS_MM) / (LETTER * size * MM_A_POINT), 1.0) for width in widths_mm]
    lines = (
        sum(max(ceil(len(line) / room), 1) for line in cell.split("\n"))
        for cell, room in zip(cells, letters, strict=False)
    )
    return max(lines, default=1) * LEADING * size * MM_A_POINT


def fitted_widths(
    widths_mm: Sequence[float], rows: Sequence[Sequence[str]], *, size: float
) -> tuple[float, ...]:
    """Return widths of the same sum in which no word of a cell has to be broken, as far as there is room.

    Word processors break a word that is wider than its cell in the middle. Columns that have more room than
    their longest word needs give it, in proportion.

    Examples
    --------
    >>> fitted_widths([20.0, 60.0], [["Trapeziectomy alone", "In words"]], size=8.5)
    (27.07, 52.93)
    """
    need = _needed(rows, len(widths_mm), size)
    lack = sum(max(must - has, 0.0) for must, has in zip(need, widths_mm, strict=True))
    spare = sum(max(has - must, 0.0) for must, has in zip(need, widths_mm, strict=True))
    if lack == 0 or spare == 0:
        return tuple(widths_mm)
    given = min(lack / spare, 1.0)
    met = min(spare / lack, 1.0)
    return tuple(
        round(has - given * (has - must) if has > must else has + met * (must - has), 2)
        for must, has in zip(need, widths_mm, strict=True)
    )


def balanced_widths(
    widths_mm: Sequence[float], rows: Sequence[Sequence[str]], *, size: float
) -> tuple[float, ...]:
    """Return widths of the same sum, a millimetre at a time from where it costs least, that make rows low.

    No column becomes narrower than its longest word needs.

    Examples
    --------
    >>> balanced_widths([40.0, 40.0], [["short", "x " * 200]], size=8.5)
    (13.0, 67.0)
    """
    need, widths = _needed(rows, len(widths_mm), size), list(widths_mm)

    def height(widths: Sequence[float]) -> float:
        rooms = [max(width - MARGINS_MM, 1.0) for width in widths]
        return sum(max(len(cell) / room for cell, room in zip(row, rooms, strict=True)) for row in rows)

    def moved(giving: int, taking: int) -> list[float]:
        return [width + (place == taking) - (place == giving) for place, width in enumerate(widths)]

    while True:
        moves = [
            moved(giving, taking)
            for giving, taking in permutations(range(len(widths)), 2)
            if widths[giving] - 1 >= need[giving]
        ]
        lowest = min(moves, key=height, default=widths)
        if height(lowest) >= height(widths):
            return tuple(round(width, 2) for width in widths)
        widths = lowest


def _needed(rows: Sequence[Sequence[str]], columns: int, size: float) -> list[float]:
    """Return what the longest word of each column needs, in millimetres."""
    longest = [
        max((len(word) for row in rows for word in row[place].split()), default=0) for place in range(columns)
    ]
    return [min(letters, LONGEST) * WIDE * size * MM_A_POINT + MARGINS_MM for letters in longest]


def _rule(table: Table) -> None:
    """Rule a table as journals do, by lines between rows alone, and keep text off the lines."""
    borders = OxmlElement("w:tblBorders")
    for side, width in (("top", "8"), ("bottom", "8"), ("insideH", "4")):
        line = OxmlElement(f"w:{side}")
        for name, value in (("val", "single"), ("sz", width), ("space", "0"), ("color", RULE)):
            line.set(qn(f"w:{name}"), value)
        borders.append(line)
    margins = OxmlElement("w:tblCellMar")
    for side, width in (("top", "40"), ("left", "80"), ("bottom", "40"), ("right", "80")):
        space = OxmlElement(f"w:{side}")
        space.set(qn("w:w"), width)
        space.set(qn("w:type"), "dxa")
        margins.append(space)
    properties = table._tbl.tblPr
    look = properties.find(qn("w:tblLook"))
    for element in (borders, margins):  # the standard prescribes the order: borders, layout, margins, look
        layout = properties.find(qn("w:tblLayout"))
        before = layout if element is borders and layout is not None else look
        if before is None:
            properties.append(element)
        else:
            before.addprevious(element)


def _fill(
    row: _Row, texts: Sequence[str], widths_mm: Sequence[float], *, size: float, bold: bool, shade: str
) -> None:
    _set_widths(row, widths_mm)
    for cell, text in zip(row.cells, texts, strict=True):
        _write(cell, text, size=size, bold=bold, shade=shade)


def _set_widths(row: _Row, widths_mm: Sequence[float]) -> None:
    for cell, width in zip(row.cells, widths_mm, strict=True):
        cell.width = Mm(width)


def _write(cell: _Cell, text: str, *, size: float, bold: bool, shade: str) -> None:
    for number, line in enumerate(text.split("\n")):
        paragraph = cell.paragraphs[0] if number == 0 else cell.add_paragraph()
        paragraph.paragraph_format.space_after = Pt(1)
        run = write_text(paragraph, line)
        run.font.size, run.bold = Pt(size), bold
    if shade:
        ground = OxmlElement("w:shd")
        ground.set(qn("w:val"), "clear")
        ground.set(qn("w:fill"), shade)
        cell._tc.get_or_add_tcPr().append(ground)


def _mark(row: _Row, name: str) -> None:
    row._tr.get_or_add_trPr().append(OxmlElement(name))
