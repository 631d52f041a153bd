"""Included reports and the records of their studies: `selection/included.csv`, by what the screeners said."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path

from metakit.core.files import write_atomically
from metakit.errors import DataError
from metakit.review.history import append
from metakit.review.lock import review_lock
from metakit.review.selection.citations import Citation
from metakit.review.selection.files import INCLUDED, selection_folder
from metakit.review.selection.likeness import family_name
from metakit.review.selection.reading import Selection
from metakit.review.selection.tables import read_table_rows, remarks_of, table_text


def name_included(review: Path, selection: Selection) -> tuple[str, ...]:
    """Add a row to `included.csv` for each included report without one, and return their citations.

    The record is the study that a screener named (several rows for several studies), or else the first author
    and the year; rows that stand there already, such as those that somebody changed, are left alone.

    Raises
    ------
    DataError
        When the table has errors; nothing is written then.
    """
    path = selection_folder(review) / INCLUDED
    with review_lock(review):
        rows = read_table_rows(path, "inclusion")
        if not rows.sound:
            raise DataError(rows.problems)
        known = [(group.text("citation_id"), group.text("record")) for group in rows.groups]
        there = {citation_id for citation_id, _ in known}
        outcomes = selection.screening.outcomes["full_text"]
        new = [
            name
            for name, outcome in outcomes.items()
            if outcome.decision == "include" and name not in there and name not in selection.removed
        ]
        if not new:
            return ()
        taken = {record for _, record in known}
        for name in sorted(new):
            for record in outcomes[name].studies or (_own_name(selection.citations[name], taken),):
                taken.add(record)
                known.append((name, record))
        text = table_text(
            "inclusion",
            [{"citation_id": name, "record": record} for name, record in known],
            remarks_of(path),
        )
        event = {
            "event": "included_named", "file": path.relative_to(review).as_posix(),
            "sha256": hashlib.sha256(text.encode()).hexdigest(), "reports": len(new),
        }  # fmt: skip
        append(review, [event])
        write_atomically(path, text, within=review)
    return tuple(new)


def _own_name(citation: Citation, taken: set[str]) -> str:
    first = re.sub(r"[^a-z0-9]+", "_", family_name(citation.authors)).strip("_") or "study"
    return next(name for name in _numbered(f"{first}_{citation.year or 'undated'}") if name not in taken)


def _numbered(name: str) -> Iterator[str]:
    yield name
    number = 2
    while True:
        yield f"{name}_{number}"
        number += 1
