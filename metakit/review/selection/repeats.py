"""Records that are perhaps the same report: a list with both titles, one key to decide, and back."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from metakit.core.files import write_atomically
from metakit.errors import DataError, Problem
from metakit.forms.sheets.sheet_rows import Cell
from metakit.forms.sheets.tables import Table, read_table, text_of
from metakit.review.history import append
from metakit.review.lock import review_lock
from metakit.review.selection.citations import Citation
from metakit.review.selection.duplicates import PERHAPS, Removal, removal_of
from metakit.review.selection.files import REMOVED, SAME, selection_folder
from metakit.review.selection.tables import read_table_rows, remarks_of, table_text

SHEET = "Perhaps the same"
KEY = "same"
ANSWERS = {"yes": True, "y": True, "no": False, "n": False}
PAIRED = ("title", "authors", "year", "journal")
COLUMNS = (
    KEY, "likeness", *(f"{side}{name}" for name in PAIRED for side in ("", "kept_")), "reason", "citation_id",
    "kept",
)  # fmt: skip
WIDTHS = {"title": 55, "kept_title": 55, "authors": 22, "kept_authors": 22, "journal": 24, "kept_journal": 24,
          "reason": 40}  # fmt: skip
LINE_HEIGHT = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What came of a filled-in list: pairs that are one report, that are two, and rows left blank."""

    same: int
    different: int
    blank: int
    written: Path | None


def write_repeats(
    review: Path, folder: str, citations: Mapping[str, Citation], removals: Sequence[Removal]
) -> Path | None:
    """Write every open question as REVIEW/FOLDER/perhaps_the_same.xlsx, keeping what was filled in before.

    Returns None, and leaves an earlier list alone, where nothing is asked.
    """
    asked = [removal for removal in removals if removal.asked]
    if not asked:
        return None
    path = review / folder / SAME
    filled = _filled(path)
    rows = [_row(removal, citations, filled) for removal in asked]
    return write_atomically(path, _workbook(rows), within=review)


def _row(
    removal: Removal, citations: Mapping[str, Citation], filled: Mapping[tuple[str, str], str]
) -> dict[str, str]:
    row = {
        KEY: filled.get((removal.citation_id, removal.kept), ""),
        "likeness": "" if removal.likeness is None else f"{removal.likeness:.0f}",
        "reason": removal.reason,
        "citation_id": removal.citation_id,
        "kept": removal.kept,
    }
    for side, name in (("", removal.citation_id), ("kept_", removal.kept)):
        citation = citations.get(name)
        row |= {f"{side}{field}": str(getattr(citation, field, None) or "") for field in PAIRED}
    return row


def _filled(path: Path) -> dict[tuple[str, str], str]:
    if not path.is_file():
        return {}
    columns = _columns(read_table(path))
    cells = [
        [text_of(cell).strip() for cell in columns.get(name, ())] for name in ("citation_id", "kept", KEY)
    ]
    return {(one, two): said for one, two, said in zip(*cells, strict=True) if said}


def _columns(table: Table) -> dict[str, tuple[Cell, ...]]:
    return {name.strip().casefold().replace(" ", "_"): cells for name, cells in table.columns.items()}


def _workbook(rows: Sequence[Mapping[str, str]]) -> bytes:
    import xlsxwriter

    stream = io.BytesIO()
    texts = {"strings_to_numbers": False, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(stream, {"in_memory": True, **texts})
    sheet = book.add_worksheet(SHEET)
    head = book.add_format({"bold": True, "bottom": 2, "text_wrap": True, "valign": "top"})
    plain = book.add_format({"text_wrap": True, "valign": "top", "num_format": "@"})
    fill = book.add_format({"text_wrap": True, "valign": "top", "num_format": "@", "border": 1})
    for column, name in enumerate(COLUMNS):
        sheet.set_column(column, column, WIDTHS.get(name, 10))
        sheet.write_string(0, column, name.replace("_", " "), head)
    sheet.write_comment(0, 0, "y: the two are one report, the second one stays; n: they are two reports")
    for line, row in enumerate(rows, start=1):
        lines = max(-(-len(row[name]) // (0.9 * WIDTHS.get(name, 10))) for name in COLUMNS)
        sheet.set_row(line, max(lines, 1) * LINE_HEIGHT)
        for column, name in enumerate(COLUMNS):
            sheet.write_string(line, column, row[name], fill if name == KEY else plain)
    sheet.data_validation(1, 0, len(rows), 0, {"validate": "list", "source": ["y", "n"]})
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, len(rows), len(COLUMNS) - 1)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.repeat_rows(0)
    sheet.fit_to_pages(1, 0)
    book.close()
    return stream.getvalue()


def collect_repeats(path: Path, review: Path, *, replace_earlier: bool = False) -> Answered:
    """Read a filled-in list and write its answers into the table of removals.

    Raises
    ------
    UnreadableError, DataError
        With every faulty row, and with answers that differ from earlier ones unless `replace_earlier`;
        nothing is written then.
    """
    table = read_table(path)
    columns = _columns(table)
    lacking = [name for name in (KEY, "citation_id", "kept") if name not in columns]
    if lacking:
        what = f"columns are missing: {', '.join(lacking)}"
        raise DataError([Problem(file=str(path), line=1, what=what, allowed=", ".join(COLUMNS))])

    def cell(row: int, name: str) -> str:
        return text_of(columns[name][row]).strip()

    with review_lock(review):
        target = selection_folder(review) / REMOVED
        rows = read_table_rows(target, "removal")
        if not rows.sound:
            raise DataError(rows.problems)
        removals = [removal_of(group) for group in rows.groups]
        places = {(removal.citation_id, removal.kept): at for at, removal in enumerate(removals)}
        counts = {True: 0, False: 0, None: 0}
        problems: list[Problem] = []
        changed = False
        for row, line in enumerate(table.lines):
            said, key = cell(row, KEY), (cell(row, "citation_id"), cell(row, "kept"))
            at, answer = places.get(key), ANSWERS.get(said.casefold())

            def wrong(field: str, what: str, found: str, allowed: str = "", line: int = line) -> None:
                problems.append(
                    Problem(
                        file=str(path), line=line, field=field, what=what, found=found[:80], allowed=allowed
                    )
                )

            if not said:
                counts[None] += 1
            elif answer is None:
                wrong(KEY, "is this one report or two?", said, "y (one report) or n (two)")
            elif at is None:
                wrong("citation_id", f"nothing is asked about this record and {key[1]}", key[0])
            elif not removals[at].asked and removals[at].stands is not answer and not replace_earlier:
                wrong(KEY, "was decided otherwise before; collect again with --replace to change it", said)
            else:
                counts[answer] += 1
                changed = changed or removals[at].asked or removals[at].stands is not answer
                removals[at] = replace(removals[at], because=PERHAPS, stands=answer, asked=False)
        if problems:
            raise DataError(problems)
        if changed:
            text = table_text("removal", [removal.row() for removal in removals], remarks_of(target))
            event = {
                "event": "repeats_decided", "file": target.relative_to(review).as_posix(),
                "sha256": hashlib.sha256(text.encode()).hexdigest(), "source": path.name,
                "same": counts[True], "different": counts[False],
            }  # fmt: skip
            append(review, [event])
            write_atomically(target, text, within=review)
    return Answered(
        same=counts[True], different=counts[False], blank=counts[None], written=target if changed else None
    )
