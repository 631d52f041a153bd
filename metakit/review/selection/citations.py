"""Search results from the open citation formats and CSV, as one plain shape.

Tagged files (RIS) are parsed by rispy, BibTeX by bibtexparser; what databases do to these formats (byte order
marks, headers before the first record, lines after its end) is cleaned before, never the words themselves.
"""

from __future__ import annotations

import logging
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.sheets.csv_tables import csv_rows
from metakit.forms.sheets.sheet_rows import LONGEST_CELL
from metakit.forms.text_files import decoded
from metakit.forms.tree import Group
from metakit.review.selection.files import LARGEST_SELECTION, MOST_CITATIONS
from metakit.review.selection.medline import read_articles, read_tagged
from metakit.review.selection.tables import without_remarks

KINDS = (".ris", ".bib", ".csv", ".nbib", ".xml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Citation:
    """One report as a database described it. Empty text means the database gave nothing."""

    citation_id: str
    title: str
    authors: str
    year: int | None
    journal: str
    doi: str
    pubmed_id: str
    search: str
    abstract: str = ""
    report_kind: str = ""
    volume: str = ""
    pages: str = ""


def citation_of(group: Group) -> Citation:
    """Return a checked row of the table of citations."""
    return Citation(
        citation_id=group.text("citation_id"),
        title=group.text("title"),
        authors=group.text("authors"),
        year=group.integer("year"),
        journal=group.text("journal"),
        doi=group.text("doi"),
        pubmed_id=group.text("pubmed_id"),
        search=group.text("search"),
        abstract=group.text("abstract"),
        report_kind=group.text("report_kind"),
        volume=group.text("volume"),
        pages=group.text("pages"),
    )


def read_citations(path: Path, *, search: str, first_number: int = 1) -> tuple[Citation, ...]:
    """Read one export of one search.

    Parameters
    ----------
    path : Path
        A .ris, .bib, .csv or .nbib file, or an .xml file of articles as PubMed exports them.
    search : str
        Name of the search that found them; kept with every citation.
    first_number : int
        Citations are numbered from here (`C0001`, ...).

    Raises
    ------
    UnreadableError
        If the file is missing, too large, of another kind or encoding, or holds no record.
    DataError
        If records have no title; each is named with its line.
    """
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise UnreadableError(
            [_problem(path, "unknown kind of file", path.suffix, ", ".join(sorted(_READERS)))]
        )
    rows = [_clean(row) for row in reader(path, _text(path))]
    untitled = [
        Problem(
            file=str(path), line=int(row["line"]) if row["line"] else None, field="title",
            what=f"record {number} has no title", found=_describe(row), allowed="a title in every record",
            hint="add its title to the file, or a word for it in square brackets",
        )
        for number, row in enumerate(rows, start=1)
        if not row["title"]
    ]  # fmt: skip
    too_long = [
        Problem(
            file=str(path), line=int(row["line"]) if row["line"] else None, field=name,
            what=f"record {number} has a text of {len(text):,} characters here", found=text[:60] + "...",
            allowed=f"at most {LONGEST_CELL:,}", hint="do two records run into each other?",
        )
        for number, row in enumerate(rows, start=1)
        for name, text in row.items()
        if len(text) > LONGEST_CELL
    ]  # fmt: skip
    if untitled or too_long:
        raise DataError([*untitled, *too_long])
    if not rows:
        raise UnreadableError([_problem(path, "holds no record", "nothing", "at least one record")])
    return tuple(
        Citation(
            citation_id=f"C{number:04d}",
            title=row["title"],
            authors=row["authors"],
            year=_year(row["year"]),
            journal=row["journal"],
            doi=normal_doi(row["doi"]),
            pubmed_id=re.sub(r"\D", "", row["pubmed_id"]),
            search=search,
            abstract=row["abstract"],
            report_kind=row["report_kind"],
            volume=row["volume"],
            pages=row["pages"],
        )
        for number, row in enumerate(rows, start=first_number)
    )


def normal_doi(text: str) -> str:
    """Return a DOI in one spelling: lower case, without resolver address or 'doi:' before it."""
    found = re.search(r"10\.\d{4,9}/\S+", unicodedata.normalize("NFKC", text))
    return found.group(0).rstrip(".,;)]}").lower() if found else ""


def _read_ris(path: Path, text: str) -> Iterable[Mapping[str, str]]:
    import rispy

    # Databases put headers before the first TY tag and notes after ER; neither belongs to a record.
    kept: list[str] = []
    starts: list[int] = []
    inside = False
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        tagged = re.match(r"^[A-Z][A-Z0-9]  - ?", line)
        if not tagged and not line.startswith("      "):
            continue
        if line.startswith("TY  -"):
            if inside:  # the end of the record before was lost
                kept.append("ER  - ")
            inside = True
            starts.append(number)
        if inside:
            ends = line.startswith("ER  -")
            kept.append("ER  - " if ends else line.rstrip())
            inside = not ends
    if not starts:
        raise UnreadableError(
            [_problem(path, "holds no record", "no line that starts with 'TY  - '", "RIS records")]
        )
    kept += ["ER  - "] if inside else []
    entries = rispy.loads("\n".join(kept) + "\n", skip_unknown_tags=True)
    if len(entries) != len(starts):
        raise UnreadableError(
            [_problem(path, "records were lost in reading", f"{len(entries)}", f"{len(starts)} records")]
        )
    for start, entry in zip(starts, entries, strict=True):
        yield {
            "line": str(start),
            "title": entry.get("title") or entry.get("primary_title") or "",
            "authors": "; ".join(entry.get("authors") or entry.get("first_authors") or ()),
            "year": str(entry.get("year") or entry.get("publication_year") or entry.get("date") or ""),
            "journal": entry.get("journal_name")
            or entry.get("secondary_title")
            or entry.get("alternate_title3")
            or "",
            "doi": entry.get("doi") or " ".join(entry.get("urls") or ()),
            "pubmed_id": "",
            "abstract": entry.get("abstract") or entry.get("notes_abstract") or "",
            "report_kind": {"JOUR": ""}.get(kind := str(entry.get("type_of_reference") or ""), kind),
            "volume": str(entry.get("volume") or ""),
            "pages": "-".join(str(entry[name]) for name in ("start_page", "end_page") if entry.get(name)),
        }


def _read_bibtex(path: Path, text: str) -> Iterable[Mapping[str, str]]:
    from bibtexparser.entrypoint import parse_string
    from bibtexparser.model import DuplicateBlockKeyBlock, Entry

    # The parser also writes its complaints to the log; they are told below, each with file and line.
    log = logging.getLogger("bibtexparser")
    level = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        library = parse_string(text)
    finally:
        log.setLevel(level)
    repeated = [block for block in library.failed_blocks if isinstance(block, DuplicateBlockKeyBlock)]
    broken = [block for block in library.failed_blocks if not isinstance(block, DuplicateBlockKeyBlock)]
    if broken:
        raise UnreadableError(
            [
                Problem(
                    file=str(path),
                    line=block.start_line + 1 if block.start_line is not None else None,
                    what="this entry cannot be read",
                    found=(block.raw or "").strip().splitlines()[0][:80] if block.raw else "",
                    allowed="a BibTeX entry with balanced braces",
                )
                for block in broken
            ]
        )
    # Databases give two records one key; both are records, and what repeats is found later, with its reason.
    blocks = [*library.entries, *(block.ignore_error_block for block in repeated)]
    entries = [block for block in blocks if isinstance(block, Entry)]
    for entry in sorted(entries, key=lambda entry: entry.start_line or 0):
        fields = {name.lower(): str(field.value).strip("{}") for name, field in entry.fields_dict.items()}
        yield {
            "line": "" if entry.start_line is None else str(entry.start_line + 1),
            "title": fields.get("title", "").replace("{", "").replace("}", ""),
            "authors": fields.get("author", "").replace(" and ", "; "),
            "year": fields.get("year", "") or fields.get("date", ""),
            "journal": fields.get("journal", "") or fields.get("booktitle", ""),
            "doi": fields.get("doi", "") or fields.get("url", ""),
            "pubmed_id": fields.get("pmid", ""),
            "abstract": fields.get("abstract", ""),
            "report_kind": {"article": ""}.get(kind := entry.entry_type.casefold(), kind),
            "volume": fields.get("volume", ""),
            "pages": fields.get("pages", "").replace("--", "-"),
        }


_CSV_NAMES = {
    "title": ("title", "article title", "document title"),
    "authors": ("authors", "author", "author full names"),
    "year": ("year", "publication year", "date", "publication date"),
    "journal": ("journal", "source title", "journal/book", "publication title"),
    "doi": ("doi", "link", "url"),
    "pubmed_id": ("pubmed_id", "pubmed id", "pmid"),
    "abstract": ("abstract", "abstract note"),
    "report_kind": ("report_kind", "document type", "publication type"),
    "volume": ("volume",),
    "pages": ("pages", "page numbers"),
}


def _read_csv(path: Path, text: str) -> Iterable[Mapping[str, str]]:
    sheet = csv_rows(
        without_remarks(text.encode()), str(path), largest=LARGEST_SELECTION, most_rows=MOST_CITATIONS
    )
    line, cells = sheet.rows[0]
    header = [str(name).strip().casefold() for name in cells]
    if not set(header) & set(_CSV_NAMES["title"]):
        hint = "name the column that holds the titles: title"
        found = ", ".join(header)[:80]
        raise UnreadableError(
            [_problem(path, "has no column for the title", found, "title", hint, line=line)]
        )
    at = {
        field: next((header.index(name) for name in names if name in header), None)
        for field, names in _CSV_NAMES.items()
    }
    ragged = [
        _problem(
            path, f"{len(row)} cells in a table of {len(header)} columns", "", "one cell a column",
            "put a text that holds the separator in double quotes", line=line,
        )
        for line, row in sheet.rows[1:]
        if len(row) != len(header)
    ]  # fmt: skip
    if ragged:
        raise DataError(ragged)
    for line, row in sheet.rows[1:]:
        found_in = {field: "" if place is None else str(row[place]) for field, place in at.items()}
        yield {"line": str(line), **found_in}


_READERS: dict[str, Callable[[Path, str], Iterable[Mapping[str, str]]]] = {
    ".ris": _read_ris,
    ".bib": _read_bibtex,
    ".csv": _read_csv,
    ".nbib": read_tagged,
    ".xml": read_articles,
}


def _text(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_SELECTION + 1)
    except OSError as error:
        raise UnreadableError(
            [_problem(path, error.strerror or "cannot be read", "", "a readable file")]
        ) from None
    hint = "export the search again, with title, authors, year and DOI"
    text = decoded(content, str(path), largest=LARGEST_SELECTION, empty_hint=hint)
    if isinstance(text, Problem):
        raise UnreadableError([text])
    return text


def _clean(row: Mapping[str, str]) -> dict[str, str]:
    return {
        name: " ".join(
            unicodedata.normalize("NFC", "".join(c for c in text if c.isprintable() or c.isspace())).split()
        )
        for name, text in row.items()
    }


def _year(text: str) -> int | None:
    found = re.search(r"\b(1[89]|20)\d\d\b", text)
    return int(found.group(0)) if found else None


def _describe(row: Mapping[str, str]) -> str:
    shown = [f"{name} {text[:40]}" for name, text in row.items() if text and name != "line"]
    return ", ".join(shown) or "an empty record"


def _problem(
    path: Path, what: str, found: str, allowed: str, hint: str = "", *, line: int | None = None
) -> Problem:
    return Problem(file=str(path), line=line, what=what, found=found, allowed=allowed, hint=hint)
