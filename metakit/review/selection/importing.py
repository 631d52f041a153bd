"""Search results into a review: the file kept as it came, its records numbered, duplicates marked, logged."""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from metakit.core.files import sha256_of, write_atomically
from metakit.errors import DataError, Problem
from metakit.forms.library import shipped
from metakit.review.history import append
from metakit.review.lock import review_lock
from metakit.review.selection.citations import Citation, citation_of, read_citations
from metakit.review.selection.duplicates import (
    Duplicate,
    completed,
    find_duplicates,
    removal_of,
    removal_of_duplicate,
)
from metakit.review.selection.files import (
    CITATIONS,
    LARGEST_SELECTION,
    MOST_CITATIONS,
    REMOVED,
    SEARCHES,
    selection_folder,
)
from metakit.review.selection.tables import Rows, read_table_rows, remarks_of, table_text
from metakit.review.template import empty_record

HEADING = (
    "One search. Fill in where and when it was run, and the whole strategy word for word.",
    "The number found is what the file holds; if the source said another number, find out why.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What came of one file of search results: how many records, how many repeat others, or perhaps do."""

    search: str
    records: int
    duplicates: int
    written: tuple[Path, ...]
    asked: int = 0


def import_search(path: Path, review: Path, *, progress: Callable[[str], None] | None = None) -> Imported:
    """Import the results of one search under the name of their file.

    The same file imported again changes nothing. Duplicates are sought among all records of the review, but
    only new records are marked: what a person decided about earlier ones stays.

    Parameters
    ----------
    path : Path
        A .ris, .bib, .csv, .nbib or .xml file.
    review : Path
        The review folder.
    progress : callable, optional
        Gets a line of text now and then.

    Raises
    ------
    UnreadableError, DataError
        When the file cannot be read, records lack a title, another file of this name was imported, or the
        tables of the selection have errors; nothing is written then.
    """
    say = progress or (lambda text: None)
    search = search_name(path)
    say(f"reading {path.name}")
    folder = selection_folder(review)
    kept = folder / SEARCHES / f"{search}{path.suffix.lower()}"
    found = read_citations(path, search=search)
    with review_lock(review):
        known = read_table_rows(folder / CITATIONS, "citation")
        gone = read_table_rows(folder / REMOVED, "removal")
        _stop_at_errors(known, gone)
        before = [citation_of(group) for group in known.groups]
        mine = [citation for citation in before if citation.search == search]
        log = folder / SEARCHES / f"{search}.yaml"
        if mine:
            if kept.is_file() and sha256_of(kept) == sha256_of(path):
                return Imported(search=search, records=len(mine), duplicates=0, written=())
            what = f"another file was imported as the search {search} already"
            hint = "give the file of a new search a name of its own"
            raise DataError([Problem(file=str(path), what=what, found=path.name, hint=hint)])
        if len(before) + len(found) > MOST_CITATIONS:
            what = "too many records for one review"
            found_now = f"{len(before) + len(found):,}"
            raise DataError(
                [Problem(file=str(path), what=what, found=found_now, allowed=f"at most {MOST_CITATIONS:,}")]
            )
        first = max((_number(citation.citation_id) for citation in before), default=0) + 1
        new = _numbered(found, first)
        ids = {citation.citation_id for citation in new}
        # A removal of a record that is only being numbered now was left by a run that was killed.
        removals = [found for found in map(removal_of, gone.groups) if found.citation_id not in ids]
        everything = [*before, *new]
        titles = {citation.citation_id: citation.title for citation in everything}
        repeats = [d for d in find_duplicates(everything, progress=progress) if d.dropped in ids]
        fresh = [removal_of_duplicate(d, titles) for d in repeats]
        kept_records = _completed(everything, repeats)
        texts = {
            kept: path.read_bytes(),
            folder / CITATIONS: table_text(
                "citation", [asdict(c) for c in kept_records], remarks_of(folder / CITATIONS)
            ).encode(),
            folder / REMOVED: table_text(
                "removal", [r.row() for r in (*removals, *fresh)], remarks_of(folder / REMOVED)
            ).encode(),
        }
        size = len(texts[folder / CITATIONS])
        if size > LARGEST_SELECTION:
            what = "too many records with abstracts for one review"
            allowed = f"at most {LARGEST_SELECTION:,} bytes in {CITATIONS}"
            raise DataError([Problem(file=str(path), what=what, found=f"{size:,} bytes", allowed=allowed)])
        if not log.exists():
            texts[log] = _search_log(search, kept, len(new), texts[kept]).encode()
        append(
            review,
            [
                {
                    "event": "search_imported",
                    "file": target.relative_to(review).as_posix(),
                    "sha256": hashlib.sha256(content).hexdigest(),
                    "search": search,
                    "records": len(new),
                    "duplicates": len(fresh),
                }
                for target, content in texts.items()
                if target != log
            ],
        )
        # The citations last: a run that is killed before them is simply run again.
        order = sorted(texts, key=lambda target: target.name == CITATIONS)
        written = tuple(write_atomically(target, texts[target], within=review) for target in order)
    asked = sum(removal.asked for removal in fresh)
    return Imported(
        search=search, records=len(new), duplicates=len(fresh) - asked, asked=asked, written=written
    )


def _completed(citations: Sequence[Citation], repeats: Sequence[Duplicate]) -> list[Citation]:
    """Fill what a record that stays lacks from the records that surely repeat it."""
    by_id = {citation.citation_id: citation for citation in citations}
    repeated: defaultdict[str, list[Citation]] = defaultdict(list)
    for repeat in repeats:
        if not repeat.perhaps:
            repeated[repeat.kept].append(by_id[repeat.dropped])
    return [completed(citation, repeated.get(citation.citation_id, ())) for citation in citations]


def search_name(path: Path) -> str:
    """Return the name of a search: that of its file, in letters that every system can store."""
    name = re.sub(r"[^A-Za-z0-9_-]+", "_", path.stem).strip("_-")[:60]
    if not name:
        what = "this file name gives the search no name"
        raise DataError([Problem(file=str(path), what=what, allowed="letters a-z, digits, _ and -")])
    return name


def _numbered(citations: tuple[Citation, ...], first: int) -> list[Citation]:
    return [
        Citation(**{**asdict(citation), "citation_id": f"C{number:04d}"})
        for number, citation in enumerate(citations, start=first)
    ]


def _number(citation_id: str) -> int:
    digits = re.sub(r"\D", "", citation_id)
    return int(digits) if digits else 0


def _search_log(search: str, kept: Path, records: int, content: bytes) -> str:
    text = empty_record(shipped().form("search"), HEADING)
    facts = {
        "name": search.replace("_", " "),
        "found": str(records),
        "file": kept.name,
        "sha256": hashlib.sha256(content).hexdigest(),
    }
    for field, value in facts.items():
        text = re.sub(rf"^{field}:$", f'{field}: "{value}"', text, count=1, flags=re.MULTILINE)
    return text


def _stop_at_errors(*tables: Rows) -> None:
    problems = [p for rows in tables for p in rows.problems if p.severity == "error"]
    if problems:
        raise DataError(problems)
