"""The process that reads papers for another one: limited in memory, unable to write files, asked by lines.

Run as ``python -m metakit.papers.child``. Each request is a line of JSON; each reply is a line of JSON with
`bytes`, the number of bytes that follow it. It ends when its input does.
"""

from __future__ import annotations

import io
import json
import os
import sys
from typing import Any, BinaryIO

from metakit.core.boxes import Box
from metakit.papers.geometry import POINTS, PageFrame
from metakit.papers.limits import MOST_CHARACTERS, MOST_MEMORY, MOST_PAGES, MOST_PIXELS, too_many_pages
from metakit.papers.words import Character, words_of

MARGIN_BEFORE, MARGIN_BEHIND, MARGIN_DOWN = 230.0, 50.0, 14.0
"""Points shown before and behind a place, above and below it: a number stands behind the name of its row."""
BARE = 2.0
"""Points around a place that is cut out to be read."""
_SMALLEST, _LARGEST = 3.0, 14_400.0
"""Sides in points that a page may have: PDF readers stop at 14,400 (common practice, no source)."""


class _RefusalError(Exception):
    """A sentence for the person whose paper it is."""


def main() -> None:
    """Answer requests until the input ends."""
    _limit()
    replies = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not stand between replies
    reader = _Reader()
    reader.warm()
    for line in sys.stdin.buffer:
        reply, content = _answer(reader, json.loads(line))
        _send(replies, reply, content)


def _send(replies: BinaryIO, reply: dict[str, Any], content: bytes) -> None:
    replies.write(json.dumps({**reply, "bytes": len(content)}).encode() + b"\n" + content)
    replies.flush()


def _limit() -> None:
    """Set the limits that the system can hold a process to."""
    try:
        import resource
    except ImportError:  # not on this system: the time limit of the parent remains
        return
    wanted = {"RLIMIT_AS": MOST_MEMORY, "RLIMIT_CORE": 0, "RLIMIT_FSIZE": 0, "RLIMIT_NOFILE": 64}
    for name, most in wanted.items():
        try:
            resource.setrlimit(getattr(resource, name), (most, most))
        except (AttributeError, ValueError, OSError):
            continue


def _answer(reader: _Reader, asked: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
    try:
        return reader.answer(asked)
    except _RefusalError as refusal:
        return {"refused": str(refusal)}, b""
    except MemoryError:
        return {"refused": "the file needs more memory than a paper may take"}, b""
    except Exception as error:  # whatever a hostile file brings about becomes a sentence
        return {"refused": f"the file is damaged ({type(error).__name__})"}, b""


class _Reader:
    """Keeps the last paper open."""

    def __init__(self) -> None:
        import pypdfium2

        self.pdfium: Any = pypdfium2
        self.open: tuple[str, Any] | None = None

    def warm(self) -> None:
        """Draw an empty page, so that what the first page needs is loaded before it is asked for."""
        document = self.pdfium.PdfDocument.new()
        page = document.new_page(20, 20)
        page.render(scale=1).to_pil().convert("RGB").save(io.BytesIO(), "JPEG")
        page.close()
        document.close()

    def answer(self, asked: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
        document = self._document(asked["path"])
        if asked["do"] == "facts":
            return {"pages": len(document)}, b""
        number = int(asked["page"])
        if not 1 <= number <= len(document):
            raise _RefusalError(f"there is no page {number}; the paper has {len(document)}")
        try:
            page = document[number - 1]
        except self.pdfium.PdfiumError:
            raise _RefusalError(f"page {number} is damaged") from None
        try:
            frame = _frame(page, number)
            told = {"box": frame.box, "rotation": frame.rotation}
            if asked["do"] == "words":
                return {**told, **self._words(page)}, b""
            picture, content = _picture(page, frame, asked)
            return {**told, **picture}, content
        finally:
            page.close()

    def _document(self, path: str) -> Any:
        if self.open is not None and self.open[0] == path:
            return self.open[1]
        if self.open is not None:
            self.open[1].close()
            self.open = None
        try:
            document = self.pdfium.PdfDocument(path)
        except self.pdfium.PdfiumError:
            raise _RefusalError(self._why_not(path)) from None
        pages = len(document)
        if pages > MOST_PAGES:
            document.close()
            raise _RefusalError(too_many_pages(pages))
        self.open = (path, document)
        return document

    def _why_not(self, path: str) -> str:
        """Say why a file is not opened; asked anew, as an empty paper leaves an older error standing."""
        raw = self.pdfium.raw
        handle = raw.FPDF_LoadDocument(f"{path}\0".encode(), None)
        if handle:
            raw.FPDF_CloseDocument(handle)
            return "the file has no pages"
        if raw.FPDF_GetLastError() in (raw.FPDF_ERR_PASSWORD, raw.FPDF_ERR_SECURITY):
            return "the file is locked by a password; save a copy without one"
        return "the file is damaged: it cannot be opened as a PDF"

    def _words(self, page: Any) -> dict[str, Any]:
        text_page = page.get_textpage()
        try:
            characters, more = _characters(self.pdfium.raw, text_page)
        finally:
            text_page.close()
        images = any(True for _ in page.get_objects(filter=[self.pdfium.raw.FPDF_PAGEOBJ_IMAGE], max_depth=4))
        rows = [
            (word.text, *(round(end, 2) for end in word.box), word.cell, word.line)
            for word in words_of(characters)
        ]
        return {"words": rows, "images": images, "cut": more}


def _frame(page: Any, number: int) -> PageFrame:
    left, bottom, right, top = (float(end) for end in page.get_bbox())
    sides = (right - left, top - bottom)
    if not all(_SMALLEST <= side <= _LARGEST for side in sides):
        raise _RefusalError(f"page {number} is {sides[0]:.0f} by {sides[1]:.0f} points: no page of a paper")
    return PageFrame(box=(left, bottom, right, top), rotation=int(page.get_rotation()) % 360)


def _characters(raw: Any, text_page: Any) -> tuple[list[Character], bool]:
    """Return the characters of a page with their boxes, and whether there were more."""
    import ctypes

    count = max(0, text_page.count_chars())
    found: list[Character] = []
    loose = raw.FS_RECTF()
    x, y = ctypes.c_double(), ctypes.c_double()
    for index in range(min(count, MOST_CHARACTERS)):
        code = raw.FPDFText_GetUnicode(text_page, index)
        if (
            raw.FPDFText_IsGenerated(text_page, index) == 1
            or not 32 <= code <= 0x10FFFF
            or 0xD800 <= code <= 0xDFFF
        ):
            continue
        if not raw.FPDFText_GetLooseCharBox(text_page, index, loose):
            continue
        if not raw.FPDFText_GetCharOrigin(text_page, index, x, y):
            continue
        box = (loose.left, loose.bottom, loose.right, loose.top)
        if not box[0] < box[2] or not box[1] < box[3]:
            continue
        clockwise = float(raw.FPDFText_GetCharAngle(text_page, index))  # -1 where it cannot be told
        found.append(Character(chr(code), box, (x.value, y.value), -clockwise if clockwise >= 0 else 0.0))
    return found, count > MOST_CHARACTERS


def _picture(page: Any, frame: PageFrame, asked: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
    """Draw a page, or the surroundings of a place on it."""
    width, height = frame.shown_size
    cut = (0.0, 0.0, 0.0, 0.0)
    mark: Box | None = None
    if asked.get("place"):
        left, top, right, bottom = frame.to_shown(tuple(asked["place"]))
        before, behind, down = (
            (BARE,) * 3 if asked.get("bare") else (MARGIN_BEFORE, MARGIN_BEHIND, MARGIN_DOWN)
        )
        x1, x2 = max(0.0, left * width - before), min(width, right * width + behind)
        y1, y2 = max(0.0, top * height - down), min(height, bottom * height + down)
        if x2 - x1 < 1 or y2 - y1 < 1:
            raise _RefusalError("the place lies outside the page")
        cut = (x1, height - y2, width - x2, y1)
        mark = (left * width - x1, top * height - y1, right * width - x1, bottom * height - y1)
        width, height = x2 - x1, y2 - y1
    scale = float(asked["dpi"]) / POINTS
    scale = min(scale, (MOST_PIXELS / (width * height)) ** 0.5)
    image = page.render(scale=scale, crop=cut, may_draw_forms=False).to_pil().convert("RGB")
    content = io.BytesIO()
    if mark is not None:
        if not asked.get("bare"):
            _mark(image, tuple(end * scale for end in mark))
        image.save(content, "PNG", compress_level=3)
    else:
        image.save(content, "JPEG", quality=85)
    return {"width": image.width, "height": image.height}, content.getvalue()


def _mark(image: Any, box: Any) -> None:
    """Draw a frame around a place; dark blue, readable in grey."""
    from PIL import ImageDraw

    left, top, right, bottom = box
    ImageDraw.Draw(image).rectangle(
        (left - 3, top - 3, right + 3, bottom + 3), outline=(20, 70, 120), width=2
    )


if __name__ == "__main__":
    main()
