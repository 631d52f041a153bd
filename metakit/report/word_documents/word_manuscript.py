"""A manuscript in the making: numbers captions, cites sources, turns pages, sets text, tables, figures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from docx.document import Document as WordDocument
from docx.shared import Mm, Pt

from metakit.plots.save import small_png
from metakit.report.drawing.figure_parts import FigurePart
from metakit.report.methods_text import Cited
from metakit.report.word_documents.word_document import (
    add_caption,
    add_heading,
    add_paragraph,
    add_picture,
    new_section,
    text_width_mm,
    width_between_margins_mm,
    write_text,
)
from metakit.report.word_documents.word_tables import WordRow, add_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI = 300
PICTURE_HEIGHT_MM = 228.0
"""What a page leaves for a picture above its caption."""


@dataclass(slots=True)
class Manuscript:
    """A Word document with its counts of tables and figures."""

    document: WordDocument
    lying: bool = False
    tables: int = 0
    figures: int = 0
    drawn: set[str] = field(default_factory=set)

    def heading(self, text: str, level: int) -> None:
        """Add a heading."""
        add_heading(self.document, text, level)

    def say(self, *texts: str, small: bool = False, warning: bool = False) -> None:
        """Add a paragraph of sentences; nothing where there are none."""
        if text := " ".join(part for part in texts if part):
            add_paragraph(self.document, text, small=small, warning=warning)

    def cite(self, sentences: Sequence[Cited]) -> None:
        """Add a paragraph whose sentences carry the numbers of their sources, raised."""
        paragraph = self.document.add_paragraph()
        for sentence in sentences:
            write_text(paragraph, sentence.text)
            if sentence.numbers:
                run = paragraph.add_run(", ".join(map(str, sentence.numbers)))
                run.font.superscript = True
            paragraph.add_run(" ")

    def bullets(self, texts: Iterable[str], *, warning: bool = False) -> None:
        """Add a list."""
        for text in texts:
            paragraph = add_paragraph(self.document, text, warning=warning)
            paragraph.style = self.document.styles["List Bullet"]
            paragraph.paragraph_format.space_after = Pt(3)

    def table(
        self,
        header: Sequence[str],
        rows: Sequence[WordRow],
        *,
        caption: str,
        shares: Sequence[float],
        size: float = 8.5,
    ) -> None:
        """Add a numbered table over the width of the page; `shares` divide it among the columns."""
        if not rows:
            return
        self.tables += 1
        above = add_caption(self.document, "Table", self.tables, caption)
        above.paragraph_format.space_before = Pt(8)
        unit = width_between_margins_mm(self.document) / sum(shares)
        add_table(self.document, header, rows, widths_mm=[unit * share for share in shares], size=size)

    def figure(self, part: FigurePart | None, *, caption: str = "") -> None:
        """Add a numbered figure at the width of the page, once; long ones in parts that fit it.

        The text of the figure stands for it where it cannot be seen.
        """
        if part is None or part.name in self.drawn or (drawing := part.drawing) is None:
            return
        self.drawn.add(part.name)
        width = text_width_mm()
        own_width, own_height = (25.4 * side for side in drawing.get_size_inches())
        pictures: tuple[Figure, ...] = (drawing,)
        if own_height * min(width / own_width, 1.0) > PICTURE_HEIGHT_MM:
            pictures = part.drawn(width_mm=width, page_height_mm=PICTURE_HEIGHT_MM) or pictures
        said = caption or part.caption
        for place, picture in enumerate(pictures, 1):
            wide, high = (25.4 * side for side in picture.get_size_inches())
            fit = min(width / wide, PICTURE_HEIGHT_MM / high, 1.0)
            which = f" ({place} of {len(pictures)})" if len(pictures) > 1 else ""
            add_picture(
                self.document,
                small_png(picture, dpi=DPI),
                width_mm=fit * wide,
                alternative=f"{part.text}{which}",
            )
            self.figures += 1
            below = add_caption(self.document, "Figure", self.figures, f"{said}{which}")
            below.paragraph_format.keep_with_next = False

    def figures_ahead(self, number: int = 1) -> str:
        """Name the figures that come next, for the sentence that leads to them."""
        first = self.figures + 1
        return f"Figure {first}" if number == 1 else f"Figures {first} to {self.figures + number}"

    def table_ahead(self) -> str:
        """Name the table that comes next."""
        return f"Table {self.tables + 1}"

    def references(self, sources: Iterable[tuple[int, object]]) -> None:
        """Add the list of sources under the numbers that the text cites."""
        for number, source in sources:
            paragraph = add_paragraph(self.document, f"{number}.\t{source}")
            form = paragraph.paragraph_format
            form.left_indent, form.first_line_indent = Mm(9), Mm(-9)
            form.tab_stops.add_tab_stop(Mm(9))
            form.space_after = Pt(3)

    def turn(self, *, lying: bool) -> None:
        """Go on with a new page, upright or lying, unless pages stand like that already."""
        if lying != self.lying:
            new_section(self.document, landscape=lying)
            self.lying = lying
