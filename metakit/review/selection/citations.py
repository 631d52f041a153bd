"""Search results from the open citation formats and CSV, as one plain shape.

Tagged files (RIS) are parsed by rispy, BibTeX by bibtexparser; what databases do to these formats (byte order
marks, headers before the first record, lines after its end) is cleaned before, never the words themselves.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from metakit.errors import Problem, UnreadableError, nearest_names

LARGEST_FILE = 50_000_000  # bytes; a search export beyond this is not a search export


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
    source: str


def read_citations(path: Path, *, source: str, first_number: int = 1) -> tuple[Citation, ...]:
    """Read one export of one search.

    Parameters
    ----------
    path : Path
        A .ris, .nbib-like tagged, .bib or .csv file.
    source : str
        Which search it came from; kept with every citation.
    first_number : int
        Citations are numbered from here (`C0001`, ...).

    Raises
    ------
    UnreadableError
        If the file is missing, too large, of another kind, or holds records without a title (each is named).
    """
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise UnreadableError(
            [_problem(path, "unknown kind of file", path.suffix, ", ".join(sorted(_READERS)))]
        )
    rows = [_clean(row) for row in reader(path, _text(path))]
    untitled = [
        _problem(path, f"record {number} has no title", _describe(row), "a title in every record")
        for number, row in enumerate(rows, start=1)
        if not row["title"]
    ]
    if untitled:
        raise UnreadableError(untitled)
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
            source=source,
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
    body = [
        line
        for line in text.splitlines()
        if re.match(r"^[A-Z][A-Z0-9]  - ?", line) or line.startswith("      ")
    ]
    start = next((n for n, line in enumerate(body) if line.startswith("TY  -")), None)
    if start is None:
        raise UnreadableError(
            [_problem(path, "holds no record", "no line that starts with 'TY  - '", "RIS records")]
        )
    inside, kept = False, []
    for line in body[start:]:
        inside = inside or line.startswith("TY  -")
        if inside:
            kept.append(line.rstrip() if not line.startswith("ER") else "ER  - ")
        inside = inside and not line.startswith("ER")
    for entry in rispy.loads("\n".join(kept) + "\n", skip_unknown_tags=True):
        yield {
            "title": entry.get("title") or entry.get("primary_title") or "",
            "authors": "; ".join(entry.get("authors") or entry.get("first_authors") or ()),
            "year": str(entry.get("year") or entry.get("publication_year") or entry.get("date") or ""),
            "journal": entry.get("journal_name")
            or entry.get("secondary_title")
            or entry.get("alternate_title3")
            or "",
            "doi": entry.get("doi") or " ".join(entry.get("urls") or ()),
            "pubmed_id": "",
        }


def _read_bibtex(path: Path, text: str) -> Iterable[Mapping[str, str]]:
    from bibtexparser.entrypoint import parse_string

    library = parse_string(text)
    if library.failed_blocks:
        raise UnreadableError(
            [
                Problem(
                    file=str(path),
                    line=block.start_line + 1 if block.start_line is not None else None,
                    what="this entry cannot be read",
                    found=(block.raw or "").strip().splitlines()[0][:80] if block.raw else "",
                    allowed="a BibTeX entry with balanced braces and its own key",
                )
                for block in library.failed_blocks
            ]
        )
    for entry in library.entries:
        fields = {name.lower(): str(field.value).strip("{}") for name, field in entry.fields_dict.items()}
        yield {
            "title": fields.get("title", "").replace("{", "").replace("}", ""),
            "authors": fields.get("author", "").replace(" and ", "; "),
            "year": fields.get("year", "") or fields.get("date", ""),
            "journal": fields.get("journal", "") or fields.get("booktitle", ""),
            "doi": fields.get("doi", "") or fields.get("url", ""),
            "pubmed_id": fields.get("pmid", ""),
        }


_CSV_NAMES = {
    "title": ("title", "article title", "document title"),
    "authors": ("authors", "author", "author full names"),
    "year": ("year", "publication year", "date", "publication date"),
    "journal": ("journal", "source title", "journal/book", "publication title"),
    "doi": ("doi", "link", "url"),
    "pubmed_id": ("pubmed_id", "pubmed id", "pmid"),
}


def _read_csv(path: Path, text: str) -> Iterable[Mapping[str, str]]:
    rows = csv.reader(io.StringIO(text, newline=""))
    header = [name.strip().lower() for name in next(rows, [])]
    if "title" not in header and not set(header) & set(_CSV_NAMES["title"]):
        hint = nearest_names("title", header)
        raise UnreadableError(
            [_problem(path, "has no column for the title", ", ".join(header), "title", hint)]
        )
    at = {
        field: next((header.index(name) for name in names if name in header), None)
        for field, names in _CSV_NAMES.items()
    }
    for row in rows:
        if any(cell.strip() for cell in row):
            yield {
                field: row[place] if place is not None and place < len(row) else ""
                for field, place in at.items()
            }


_READERS: dict[str, Callable[[Path, str], Iterable[Mapping[str, str]]]] = {
    ".ris": _read_ris,
    ".bib": _read_bibtex,
    ".csv": _read_csv,
}


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise UnreadableError(
                [_problem(path, "is too large", f"{path.stat().st_size} bytes", f"{LARGEST_FILE}")]
            )
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise UnreadableError(
            [_problem(path, error.strerror or "cannot be read", "", "a readable file")]
        ) from None
    except UnicodeDecodeError as error:
        found = f"byte {error.object[error.start]:#04x} at position {error.start}"
        raise UnreadableError(
            [_problem(path, "is not UTF-8 text", found, "UTF-8; export it again")]
        ) from None


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
    return ", ".join(f"{name} {text[:40]}" for name, text in row.items() if text) or "an empty record"


def _problem(path: Path, what: str, found: str, allowed: str, hint: str = "") -> Problem:
    return Problem(file=str(path), what=what, found=found, allowed=allowed, hint=hint)
