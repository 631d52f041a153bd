"""Pages of an invented paper, set with matplotlib: tables with footnote marks, turned pages, scans."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from metakit.core.boxes import Box

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH, HEIGHT = 595.0, 842.0
MARGIN = 57.0
SCAN_DPI = 130
CELL_SIZE = 8.5


@dataclass(slots=True, kw_only=True)
class Cell:
    """A printed text and the fields that it gives."""

    text: str
    fields: tuple[str, ...] = ()
    mark: str = ""


@dataclass(slots=True, kw_only=True)
class Table:
    """A table: its title, headings, rows of cells, and what its marks mean."""

    title: str
    heading: list[str]
    rows: list[list[Cell]]
    notes: list[str] = field(default_factory=list)


@dataclass(slots=True, kw_only=True)
class Sheet:
    """One page while it is set; a `turned` one is shown turned, its lines along the long side."""

    figure: Figure
    turned: bool = False
    places: list[tuple[tuple[str, ...], Box]] = field(default_factory=list)

    def put(self, x: float, top: float, text: str, *, size: float = 9, bold: bool = False) -> float:
        """Set a line of text and return where it ends; x and top as the page is shown."""
        from metakit.plots.text import text_width

        across, up = (top, x) if self.turned else (x, HEIGHT - top)
        self.figure.text(
            across / WIDTH, up / HEIGHT, text, fontsize=size, fontweight="bold" if bold else "normal",
            rotation=90 if self.turned else 0, rotation_mode="anchor", ha="left", va="baseline",
            parse_math=False,
        )  # fmt: skip
        return x + text_width(text, size, bold) / 1.01

    def rule(self, top: float, long: float) -> None:
        """Draw a line across the page."""
        from matplotlib.lines import Line2D

        ends = [(MARGIN, HEIGHT - top), (MARGIN + long, HEIGHT - top)]
        if self.turned:
            ends = [(top, MARGIN), (top, MARGIN + long)]
        xs, ys = zip(*((x / WIDTH, y / HEIGHT) for x, y in ends), strict=True)
        self.figure.add_artist(Line2D(xs, ys, color="black", linewidth=0.6))

    def place(self, fields: tuple[str, ...], x: float, top: float, end: float, size: float) -> None:
        """Take note of where the fields of a cell stand, in the page's own points."""
        above, below = top - 0.85 * size, top + 0.3 * size
        box = (above, x, below, end) if self.turned else (x, HEIGHT - below, end, HEIGHT - above)
        self.places.append((fields, box))


def blank_sheet(*, turned: bool = False) -> Sheet:
    """Return an empty page."""
    from metakit.plots.draw import blank_figure

    return Sheet(figure=blank_figure(WIDTH, HEIGHT, "page"), turned=turned)


def set_table(table: Table, name: str, *, turned: bool) -> Sheet:
    """Return a page with a table, and where its numbers stand."""
    sheet = blank_sheet(turned=turned)
    wide = (HEIGHT if turned else WIDTH) - 2 * MARGIN
    columns = len(table.heading) - 1
    first = (0.44 if columns < 3 else 0.27) * wide
    step = (wide - first) / max(1, columns)
    lefts = [MARGIN, *(MARGIN + first + step * at for at in range(columns))]
    top = 82.0
    sheet.put(MARGIN, top, f"{name}. {table.title}", size=11, bold=True)
    sheet.rule(top + 10, wide)
    top += 24
    lines = [_lines(text, step - 8, 8.5, bold=True) for text in table.heading]
    for left, heading in zip(lefts, lines, strict=True):
        for at, text in enumerate(heading):
            sheet.put(left, top + 11 * at, text, size=8.5, bold=True)
    top += 11 * (max(map(len, lines)) - 1)
    sheet.rule(top + 6, wide)
    for row in table.rows:
        top += 23
        label = _lines(row[0].text, first - 10, 9)
        for at, text in enumerate(label):
            sheet.put(MARGIN, top + 11 * at, text)
        for left, cell in zip(lefts[1:], row[1:], strict=True):
            end = sheet.put(left, top, cell.text, size=CELL_SIZE) if cell.text else left
            if cell.mark:
                sheet.put(end + 0.5, top - 0.38 * CELL_SIZE, cell.mark, size=0.62 * CELL_SIZE)
            if cell.fields:
                sheet.place(cell.fields, left - 1, top, end + 6, CELL_SIZE)
        top += 11 * (len(label) - 1)
    sheet.rule(top + 8, wide)
    top += 26
    for note in table.notes:
        sheet.put(MARGIN, top - 2.6, note[0], size=5)
        sheet.put(MARGIN + 5, top, note[1:].strip(), size=8)
        top += 13
    return sheet


def _lines(text: str, widest: float, size: float, *, bold: bool = False) -> tuple[str, ...]:
    from metakit.plots.text import text_width, wrap

    return wrap(text, size, widest, text_width, bold=bold) if text else ("",)


def pdf_of(sheets: Sequence[Sheet], title: str) -> bytes:
    """Return pages as a PDF whose text can be read."""
    from matplotlib.backends.backend_pdf import PdfPages

    from metakit.plots import style

    stream = io.BytesIO()
    with style.styled(), PdfPages(stream, metadata={"Title": title, "CreationDate": None}) as pages:
        for sheet in sheets:
            pages.savefig(sheet.figure)
    content = stream.getvalue()
    for number, sheet in enumerate(sheets):
        if sheet.turned:
            content = with_page_turned(content, number)
    return content


def scan_of(sheets: Sequence[Sheet], title: str) -> bytes:
    """Return pages as a PDF of pictures, without any text."""
    from PIL import Image

    from metakit.plots import style

    images = []
    for sheet in sheets:
        stream = io.BytesIO()
        with style.styled():
            sheet.figure.savefig(stream, format="png", dpi=SCAN_DPI)
        images.append(Image.open(stream).convert("L"))
    out = io.BytesIO()
    images[0].save(out, "PDF", resolution=SCAN_DPI, save_all=True, append_images=images[1:], title=title)
    return out.getvalue()


def with_page_turned(content: bytes, number: int) -> bytes:
    """Return a PDF whose page (counted from 0) is shown turned by a quarter.

    For PDFs with a plain table of their objects (ISO 32000-2:2020, 7.5.4), as matplotlib writes them.
    """
    pages = [found.end() for found in re.finditer(rb"/Type /Page\b(?!s)", content)]
    at, added = pages[number], b" /Rotate 90"
    start = int(content[content.rindex(b"startxref") :].split()[1])

    def moved(found: re.Match[bytes]) -> bytes:
        offset = int(found[1])
        return b"%010d %s" % (offset + len(added) if offset > at else offset, found[2])

    table = re.sub(rb"(?m)^(\d{10}) (\d{5} n)", moved, content[start:])
    table = re.sub(rb"startxref\s+\d+", b"startxref\n%d" % (start + len(added)), table)
    return content[:at] + added + content[at:start] + table
