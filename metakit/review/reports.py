"""The reports (PDFs) that a review was extracted from: `reports/FILE.pdf`, known by `reports/reports.csv`.

The PDFs are other people's copyright: the folder tells git to leave them out, and no bundle takes them. The
table stays with the review, so that whoever has the same PDF finds the places kept in the records.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from metakit.core.files import sha256_of, write_atomically
from metakit.core.places import WrongPlaceError, first_link, place_within
from metakit.core.values import PaperPlace
from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.records import Reading
from metakit.forms.sheets.csv_tables import read_csv
from metakit.papers.limits import PaperError, refuse_other_files
from metakit.papers.reader import Paper, PaperReader
from metakit.review.lock import review_lock
from metakit.review.selection.tables import csv_text

REPORTS = "reports"
TABLE = "reports.csv"
COLUMNS = ("study", "file", "sha256", "pages")
_IGNORED = "# Reports are their publishers' copyright: they stay on this computer.\n*.pdf\n*.PDF\n"
_HASH = re.compile(r"[0-9a-f]{64}")
_LONGEST = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """One row of the table: the record's name (its file without ending), the PDF, its hash and pages."""

    study: str
    file: str
    sha256: str
    pages: int


class CountsPages(Protocol):
    """What `metakit.papers.reader.PaperReader` offers here."""

    def pages(self, paper: Paper) -> int:
        """Return the number of pages."""
        ...


def read_reports(folder: Path) -> tuple[Report, ...]:
    """Return the reports that a review knows; none where there is no table.

    Raises
    ------
    DataError
        With every row that cannot be right.
    UnreadableError
        When the table cannot be read at all.
    """
    table = folder / REPORTS / TABLE
    name = f"{REPORTS}/{TABLE}"
    if not table.is_file():
        return ()
    rows = read_csv(table, name).rows
    problems: list[Problem] = []
    header = [str(cell).strip() for cell in rows[0][1]] if rows else []
    absent = [column for column in COLUMNS if column not in header]
    if absent:
        what = f"the table has no column {', '.join(absent)}"
        raise UnreadableError([Problem(file=name, line=1, what=what, allowed=", ".join(COLUMNS))])
    found: list[Report] = []
    for line, cells in rows[1:]:
        row = {column: str(cells[at]).strip() if at < len(cells) else "" for at, column in enumerate(header)}
        problems += _problems(folder, name, line, row)
        if not problems:
            pages = int(row["pages"])
            found.append(Report(study=row["study"], file=row["file"], sha256=row["sha256"], pages=pages))
    if problems:
        raise DataError(problems)
    return tuple(found)


def _problems(folder: Path, name: str, line: int, row: Mapping[str, str]) -> Iterable[Problem]:
    def problem(field: str, what: str, allowed: str = "") -> Problem:
        return Problem(file=name, line=line, field=field, what=what, found=row[field][:80], allowed=allowed)

    if not row["study"]:
        yield problem("study", "no study is named", "a record's file name without its ending")
    try:
        place_within(folder, f"{REPORTS}/{row['file']}", (f"{REPORTS}/*.pdf",))
    except WrongPlaceError as wrong:
        yield problem("file", str(wrong), f"the name of a PDF in {REPORTS}/")
    if not _HASH.fullmatch(row["sha256"]):
        yield problem("sha256", "no SHA-256", "64 digits 0-9 a-f")
    if not re.fullmatch(r"[1-9]\d{0,3}", row["pages"], re.ASCII):
        yield problem("pages", "no number of pages", "a whole number from 1")


def report_questions(folder: Path, readings: Iterable[Reading]) -> list[Problem]:
    """Ask about rows of the table that cannot be right, and places on pages that a paper does not have."""
    try:
        pages = {row.sha256: row.pages for row in read_reports(folder)}
    except (DataError, UnreadableError) as error:
        return [replace(one, file=str(folder / one.file), severity="question") for one in error.problems]
    found = []
    for reading in readings:
        for place in reading.group.groups("places") if reading.group else ():
            page, last = place.integer("page"), pages.get(place.text("report"))
            if page is not None and last is not None and page > last:
                what = f"a place on a page that its paper of {last} pages does not have"
                found.append(place.problem("page", what, found=str(page), severity="question"))
    return found


def add_report(folder: Path, study: str, name: str, content: bytes, reader: CountsPages) -> Report:
    """Keep the PDF of a study, or find the one that is kept already.

    Parameters
    ----------
    folder : Path
        The review.
    study : str
        The record's name: its file without ending.
    name : str
        What the person's file is called; its letters and digits become the name here.
    content : bytes
        The PDF.
    reader : PaperReader
        Says how many pages there are.

    Raises
    ------
    PaperError
        When it is no PDF that can be read. Nothing is kept then.
    """
    shown = Path(name.replace("\\", "/")).name[:_LONGEST] or "the file"
    refuse_other_files(content, shown)
    sha256 = hashlib.sha256(content).hexdigest()
    with review_lock(folder):
        known = read_reports(folder)
        same = next((row for row in known if row.sha256 == sha256), None)
        file = same.file if same else _free_name(folder, shown, study)
        path = place_within(folder, f"{REPORTS}/{file}", (f"{REPORTS}/*.pdf",))
        # Read beside its place first: what cannot be read is never kept.
        draft = path.with_name(f".{sha256}.pdf")
        try:
            write_atomically(draft, content, within=folder)
            pages = reader.pages(Paper(path=draft, sha256=sha256, shown=shown))
            row = Report(study=study, file=file, sha256=sha256, pages=pages)
            ignored = path.with_name(".gitignore")
            if not ignored.exists():
                write_atomically(ignored, _IGNORED, within=folder)
            draft.replace(path)
        finally:
            draft.unlink(missing_ok=True)
            _sweep(path.parent)
        if row not in known:
            rows = [{column: getattr(item, column) for column in COLUMNS} for item in (*known, row)]
            write_atomically(path.parent / TABLE, csv_text(COLUMNS, rows), within=folder)
    return row


def _sweep(folder: Path) -> None:
    """Remove an empty folder that a refused file would leave behind."""
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()


def _free_name(folder: Path, shown: str, study: str) -> str:
    """Return a name that every system holds and no other report has."""
    stem = re.sub(r"[^A-Za-z0-9]+", "_", Path(shown).stem).strip("_").lower()[:60]
    stem = stem if len(stem) > 2 else re.sub(r"[^A-Za-z0-9]+", "_", study).strip("_").lower()[:60] or "report"
    stem = f"{stem}_report" if len(stem) <= 4 else stem  # never a name that means a device
    number, name = 1, f"{stem}.pdf"
    while (folder / REPORTS / name).exists():
        number += 1
        name = f"{stem}_{number}.pdf"
    return name


def reports_of(known: Iterable[Report], study: str) -> tuple[Report, ...]:
    """Return the reports of a study, by the name of its record."""
    return tuple(row for row in known if row.study == study)


def paper_of(folder: Path, sha256: str) -> Paper | None:
    """Return the PDF with this hash, for a reader; None where the review does not have it (here).

    Raises
    ------
    PaperError
        When the file was changed or stands behind a symbolic link.
    """
    row = next((row for row in read_reports(folder) if row.sha256 == sha256), None)
    path = folder / REPORTS / row.file if row else None
    if row is None or path is None or not path.is_file():
        return None
    if first_link(folder, path) is not None:
        raise PaperError(f"{REPORTS}/{row.file}", "a symbolic link; it is not followed")
    if _hash_of(path) != sha256:
        raise PaperError(
            f"{REPORTS}/{row.file}", "this is another file than the one that the places were kept in",
            f"put the PDF with the SHA-256 {sha256[:12]}... in its place",
        )  # fmt: skip
    return Paper(path=path, sha256=sha256, shown=f"{REPORTS}/{row.file}")


NOT_HERE = "the PDF is not here"
PICTURES_CAUTION = (
    "Pictures show pages of papers whose publishers hold the copyright: they are for your own work, not to "
    "be passed on."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPlace:
    """A picture of a place in a paper, as a PNG; without one, `why` says why."""

    content: bytes = b""
    why: str = ""


def drawn_places(folder: Path, places: Iterable[PaperPlace]) -> dict[PaperPlace, DrawnPlace]:
    """Draw each place whose PDF is here, framed in its surroundings; say why for every other one.

    Parameters
    ----------
    folder : Path
        The review.
    places : iterable of PaperPlace
        Each is drawn once.

    Raises
    ------
    UsageError
        When the library that reads papers is not installed.
    """
    drawn: dict[PaperPlace, DrawnPlace] = {}
    with PaperReader() as reader:
        for place in dict.fromkeys(places):
            try:
                paper = paper_of(folder, place.report)
                drawn[place] = (
                    DrawnPlace(why=NOT_HERE)
                    if paper is None
                    else DrawnPlace(content=reader.place(paper, place.page, place.box).content)
                )
            except PaperError as error:
                drawn[place] = DrawnPlace(why=str(error))
    return drawn


_HASHES: dict[tuple[str, int, int], str] = {}


def _hash_of(path: Path) -> str:
    """Return the hash of a file, computed again when its size or time has changed."""
    state = path.stat()
    key = (str(path), state.st_size, state.st_mtime_ns)
    if key not in _HASHES:
        if len(_HASHES) > 1000:
            _HASHES.clear()
        _HASHES[key] = sha256_of(path)
    return _HASHES[key]
