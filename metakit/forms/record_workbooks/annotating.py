"""A copy of a faulty workbook with a comment on each cell in question."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Sequence
from pathlib import Path

from metakit.errors import Problem

SHEET = "problems"
COPY_OF = "copy of"
_CELL = re.compile(r" > (.+)!([A-Z]+\d+)$")
LONGEST_COMMENT = 1_000


def annotated(original: Path, problems: Sequence[Problem], *, copy_of: str = "") -> bytes:
    """Return the bytes of the copy; the original is only read.

    Parameters
    ----------
    original : Path
        A workbook that was read within the limits.
    problems : sequence of Problem
        What to say, each at the cell that its `file` names.
    copy_of : str
        Facts about the copy for its sheet of problems.
    """
    import openpyxl
    from openpyxl.comments import Comment
    from openpyxl.styles import Border, Font, Side
    from openpyxl.worksheet.properties import PageSetupProperties

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(original, keep_links=False, rich_text=True)
        if SHEET in book.sheetnames:
            del book[SHEET]
        notes: dict[tuple[str, str], list[str]] = {}
        rows = []
        for problem in problems:
            found = _CELL.search(problem.file)
            text = _words(problem)
            rows.append((found[1] if found else "", found[2] if found else "", problem.severity, text))
            if found and found[1] in book.sheetnames:
                notes.setdefault((found[1], found[2]), []).append(text)
        edge = Side(style="thick", color="8A1C1C")
        for (sheet, cell), texts in notes.items():
            target = book[sheet][cell]
            if not hasattr(target, "comment") or type(target).__name__ == "MergedCell":
                continue
            target.comment = Comment("\n\n".join(texts)[:LONGEST_COMMENT], "metakit", width=320, height=140)
            target.border = Border(left=edge, right=edge, top=edge, bottom=edge)
        listing = book.create_sheet(SHEET, 0)
        for row in (("sheet", "cell", "kind", "what to do"), *rows):
            listing.append([_as_text(text) for text in row])
        for cell in listing[1]:
            cell.font = Font(bold=True)
        listing.append(
            [None, None, "note", "Mend the cells here or in the workbook itself, save, collect it again."]
        )
        if copy_of:
            listing.append([None, None, COPY_OF, copy_of])
            for cell in listing[listing.max_row]:
                cell.font = Font(color="8C8C8C")
        for letter, width in zip("ABCD", (24, 8, 10, 120), strict=True):
            listing.column_dimensions[letter].width = width
        listing.freeze_panes = "A2"
        listing.page_setup.orientation = "landscape"
        listing.page_setup.fitToHeight = 0
        listing.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
        book.active = 0
        for other in book.worksheets[1:]:
            other.sheet_view.tabSelected = False
        stream = io.BytesIO()
        book.save(stream)
    return stream.getvalue()


def _words(problem: Problem) -> str:
    parts = [problem.what]
    parts += [f"found: {problem.found}"] if problem.found else []
    parts += [f"allowed: {problem.allowed}"] if problem.allowed else []
    parts += [problem.hint] if problem.hint else []
    return "; ".join(parts)


def _as_text(text: str) -> str:
    """Keep a found formula from becoming one again."""
    clean = re.sub(r"[\x00-\x08\x0b-\x1f]", "?", text)
    return f"'{clean}" if clean.startswith("=") else clean
