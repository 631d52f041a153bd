"""Tables in Word documents: real tables with repeated headings, in files that do not depend on the day."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from docx import Document
from docx.document import Document as WordDocument
from docx.enum.section import WD_ORIENT
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm, Pt, RGBColor
from docx.table import _Cell, _Row

from metakit.report.shown import shown_text

FONT = "Liberation Sans"
INK, QUIET, RUST = RGBColor(0x1A, 0x1A, 0x1A), RGBColor(0x4D, 0x4D, 0x4D), RGBColor(0xA8, 0x43, 0x00)
SHADE = "EEF3F6"
_FIXED_DAY = datetime(2000, 1, 1, tzinfo=UTC)
_OLDEST = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class WordRow:
    """One row. `whole` makes one wide cell of the first text, its first line bold.

    `heading` sets the row bold on a ground.
    """

    cells: tuple[str, ...]
    whole: bool = False
    heading: bool = False


def new_document(title: str, *, landscape: bool = False) -> WordDocument:
    """Return an empty A4 document without the name of a person, a program or a day in it.

    Parameters
    ----------
    title : str
        Goes into the properties of the file.
    landscape : bool
    """
    document = Document()
    facts = document.core_properties
    facts.title, facts.author, facts.comments, facts.last_modified_by = shown_text(title)[:250], "", "", ""
    facts.created = facts.modified = _FIXED_DAY
    facts.revision = 1
    section = document.sections[0]
    width, height = (Mm(297), Mm(210)) if landscape else (Mm(210), Mm(297))
    section.orientation = WD_ORIENT.LANDSCAPE if landscape else WD_ORIENT.PORTRAIT
    section.page_width, section.page_height = width, height
    section.left_margin = section.right_margin = Mm(16)
    section.top_margin = section.bottom_margin = Mm(16)
    normal = document.styles["Normal"]
    normal.font.name, normal.font.size = FONT, Pt(10)
    for level, size in ((1, 16), (2, 13), (3, 11)):
        style = document.styles[f"Heading {level}"]
        style.font.name, style.font.size, style.font.color.rgb = FONT, Pt(size), INK
        # The headings of the template name another font for the theme, which would win.
        fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
        for name in list(fonts.attrib):
            del fonts.attrib[name]
        for kind in ("ascii", "hAnsi", "cs", "eastAsia"):
            fonts.set(qn(f"w:{kind}"), FONT)
    return document


def add_paragraph(
    document: WordDocument, text: str, *, warning: bool = False, small: bool = False, bold: bool = False
) -> None:
    """Add a paragraph."""
    run = document.add_paragraph().add_run(shown_text(text))
    run.bold = bold
    run.font.size = Pt(8.5) if small else None
    if warning:
        run.font.color.rgb = RUST


def add_table(
    document: WordDocument,
    header: Sequence[str],
    rows: Sequence[WordRow],
    *,
    caption: str,
    widths_mm: Sequence[float],
    size: float = 8.5,
) -> None:
    """Add a table: caption above, a heading row repeated on each page, rows that stay whole.

    Parameters
    ----------
    document : Document
    header : sequence of str
    rows : sequence of WordRow
    caption : str
    widths_mm : sequence of float
        One width a column.
    size : float
        Type size in points.
    """
    title = document.add_paragraph()
    title.paragraph_format.keep_with_next = True
    run = title.add_run(shown_text(caption))
    run.bold = True
    table = document.add_table(rows=1, cols=len(header), style="Table Grid")
    table.autofit = False
    _fill(table.rows[0], header, widths_mm, size=size, bold=True, shade=SHADE)
    _mark(table.rows[0], "w:tblHeader")
    for row in rows:
        cells = row.cells if not row.whole else (row.cells[0], *[""] * (len(header) - 1))
        made = table.add_row()
        _mark(made, "w:cantSplit")
        shade = SHADE if row.heading else ""
        if row.whole:
            _set_widths(made, widths_mm)
            merged = made.cells[0].merge(made.cells[-1])
            _write(merged, row.cells[0], size=size, bold=row.heading, shade=shade)
            merged.paragraphs[0].runs[0].bold = True
        else:
            _fill(made, cells, widths_mm, size=size, bold=row.heading, shade=shade)
    document.add_paragraph()


def document_bytes(document: WordDocument) -> bytes:
    """Return the file; the same content gives the same bytes on every day."""
    stream = io.BytesIO()
    document.save(stream)
    packed = io.BytesIO()
    with zipfile.ZipFile(stream) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist(), key=lambda item: (item != "[Content_Types].xml", item)):
            entry = zipfile.ZipInfo(name, _OLDEST)
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, old.read(name))
    return packed.getvalue()


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
    for number, line in enumerate(shown_text(text).split("\n")):
        paragraph = cell.paragraphs[0] if number == 0 else cell.add_paragraph()
        paragraph.paragraph_format.space_after = Pt(1)
        run = paragraph.add_run(line)
        run.font.size, run.bold = Pt(size), bold
    if shade:
        ground = OxmlElement("w:shd")
        ground.set(qn("w:val"), "clear")
        ground.set(qn("w:fill"), shade)
        cell._tc.get_or_add_tcPr().append(ground)


def _mark(row: _Row, name: str) -> None:
    row._tr.get_or_add_trPr().append(OxmlElement(name))
