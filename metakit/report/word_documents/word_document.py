"""Word documents: styles, text of any script, numbered captions, figures, and bytes that stay the same."""

from __future__ import annotations

import io
import unicodedata
import zipfile
from datetime import UTC, datetime

from docx import Document
from docx.document import Document as WordDocument
from docx.enum.section import WD_ORIENT, WD_SECTION
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.section import Section
from docx.shared import Mm, Pt, RGBColor
from docx.text.paragraph import Paragraph
from docx.text.run import Run

from metakit.report.shown import shown_text

FONT = "Arial"
INK, QUIET, RUST = RGBColor(0x1A, 0x1A, 0x1A), RGBColor(0x4D, 0x4D, 0x4D), RGBColor(0xA8, 0x43, 0x00)
PAGE_MM = (210.0, 297.0)
MARGIN_MM = 18.0
_FIXED_DAY = datetime(2000, 1, 1, tzinfo=UTC)
_OLDEST = (1980, 1, 1, 0, 0, 0)
_SIZES = {"Title": 20.0, "Heading 1": 15.0, "Heading 2": 12.5, "Heading 3": 11.0, "Caption": 9.0}
# The standard prescribes the order of a paragraph's properties; these come after its direction.
_AFTER_BIDI = (
    "w:adjustRightInd", "w:snapToGrid", "w:spacing", "w:ind", "w:contextualSpacing", "w:mirrorIndents",
    "w:suppressOverlap", "w:jc", "w:textDirection", "w:textAlignment", "w:textboxTightWrap", "w:outlineLvl",
    "w:divId", "w:cnfStyle", "w:rPr", "w:sectPr", "w:pPrChange",
)  # fmt: skip
_SAME_FONT = ("Normal", "Header", "Footer", "List Bullet", "List Number")


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
    _set_page(document.sections[0], landscape=landscape)
    for name in _SAME_FONT:
        _set_font(document, name, 10.0)
    for name, size in _SIZES.items():
        _set_font(document, name, size)
        style = document.styles[name]
        style.font.bold, style.font.italic = True, False
        style.paragraph_format.keep_with_next = True
    _without_border(document.styles["Title"].element)
    document.styles["Normal"].paragraph_format.space_after = Pt(6)
    return document


def new_section(document: WordDocument, *, landscape: bool) -> None:
    """Begin a new page, upright or lying; header and footer go on."""
    _set_page(document.add_section(WD_SECTION.NEW_PAGE), landscape=landscape)


def set_header_and_footer(document: WordDocument, header: str) -> None:
    """Put a line on top of every page and the number of the page at its foot."""
    section = document.sections[0]
    if header:
        run = write_text(section.header.paragraphs[0], header)
        run.bold, run.font.size, run.font.color.rgb = True, Pt(8.5), RUST
    foot = section.footer.paragraphs[0]
    foot.alignment = WD_ALIGN_PARAGRAPH.CENTER
    _add_field(foot, "PAGE", "1")


def write_text(paragraph: Paragraph, text: str) -> Run:
    """Add text as it stands, without control characters; scripts from right to left are marked as such."""
    run = paragraph.add_run(shown_text(text))
    if reads_from_right(text):
        properties = run._r.get_or_add_rPr()
        properties.append(OxmlElement("w:rtl"))
        if paragraph.text == shown_text(text):  # the first text of a paragraph decides for all of it
            paragraph._p.get_or_add_pPr().insert_element_before(OxmlElement("w:bidi"), *_AFTER_BIDI)
    return run


def reads_from_right(text: str) -> bool:
    """Whether the first letter of a text belongs to a script that reads from right to left."""
    for character in text:
        direction = unicodedata.bidirectional(character)
        if direction in {"L", "R", "AL"}:
            return direction != "L"
    return False


def add_paragraph(
    document: WordDocument, text: str, *, warning: bool = False, small: bool = False, bold: bool = False
) -> Paragraph:
    """Add a paragraph."""
    paragraph = document.add_paragraph()
    run = write_text(paragraph, text)
    run.bold = bold
    run.font.size = Pt(8.5) if small else None
    if warning:
        run.font.color.rgb = RUST
    return paragraph


def add_heading(document: WordDocument, text: str, level: int) -> None:
    """Add a heading on one line."""
    write_text(document.add_heading("", level=level), " ".join(text.split()))


def add_caption(document: WordDocument, kind: str, number: int, text: str) -> Paragraph:
    """Add a caption whose number is a field, so that Word counts on when somebody adds another.

    Parameters
    ----------
    document : Document
    kind : str
        "Table" or "Figure".
    number : int
    text : str
    """
    paragraph = document.add_paragraph(style="Caption")
    paragraph.add_run(f"{kind} ")
    _add_field(paragraph, f"SEQ {kind} \\* ARABIC", str(number))
    paragraph.add_run(". ")
    write_text(paragraph, text).bold = False
    return paragraph


def add_picture(document: WordDocument, png: bytes, *, width_mm: float, alternative: str) -> None:
    """Add a picture on a line of its own, which stays with what follows, with a text that stands for it."""
    paragraph = document.add_paragraph()
    paragraph.paragraph_format.keep_with_next = True
    shape = paragraph.add_run().add_picture(io.BytesIO(png), width=Mm(width_mm))
    shape._inline.docPr.set("descr", shown_text(alternative))


def text_width_mm(*, landscape: bool = False) -> float:
    """Return the width between the margins."""
    return PAGE_MM[1 if landscape else 0] - 2 * MARGIN_MM


def set_margins(document: WordDocument, margin_mm: float) -> None:
    """Set all margins of the last section."""
    section = document.sections[-1]
    section.left_margin = section.right_margin = section.top_margin = section.bottom_margin = Mm(margin_mm)


def width_between_margins_mm(document: WordDocument) -> float:
    """Return the width of the text on the page that is being written."""
    section = document.sections[-1]
    wide, left, right = section.page_width, section.left_margin, section.right_margin
    return (int(wide or 0) - int(left or 0) - int(right or 0)) / Mm(1)


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


def _set_page(section: Section, *, landscape: bool) -> None:
    short, long = (Mm(side) for side in PAGE_MM)
    section.orientation = WD_ORIENT.LANDSCAPE if landscape else WD_ORIENT.PORTRAIT
    section.page_width, section.page_height = (long, short) if landscape else (short, long)
    section.left_margin = section.right_margin = section.top_margin = section.bottom_margin = Mm(MARGIN_MM)
    section.header_distance = section.footer_distance = Mm(8)


def _set_font(document: WordDocument, name: str, size: float) -> None:
    style = document.styles[name]
    style.font.name, style.font.size, style.font.color.rgb = FONT, Pt(size), INK
    # The styles of the template name another font for the theme, which would win.
    properties = style.element.get_or_add_rPr()
    fonts = properties.get_or_add_rFonts()
    for attribute in list(fonts.attrib):
        del fonts.attrib[attribute]
    for kind in ("ascii", "hAnsi", "cs", "eastAsia"):
        fonts.set(qn(f"w:{kind}"), FONT)


def _without_border(style: object) -> None:
    for border in style.xpath(".//w:pBdr"):  # type: ignore[attr-defined]
        border.getparent().remove(border)


def _add_field(paragraph: Paragraph, instruction: str, shown: str) -> None:
    """Add a field that Word computes; `shown` stands there until it does."""
    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), instruction)
    run = OxmlElement("w:r")
    text = OxmlElement("w:t")
    text.text = shown
    run.append(text)
    field.append(run)
    paragraph._p.append(field)
