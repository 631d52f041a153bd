"""The selection of studies as the desk reads it, again only when one of its files has changed."""

from __future__ import annotations

import hashlib
import threading

from metakit.desk.page import Asked
from metakit.review.files import RECORDS, yaml_files
from metakit.review.selection.files import selection_folder
from metakit.review.selection.lists import due
from metakit.review.selection.reading import Selection, SelectionReading, read_selection
from metakit.review.selection.reconciling import open_conflicts
from metakit.review.selection.screening import Stage

AT_ONCE = 8
"""Records that are read for the first page; of more, what was read before counts."""


def selection_of(asked: Asked, *, at_once: bool = False) -> SelectionReading | None:
    """Return the selection as its files hold it, read again only when one of them has changed.

    With `at_once`, nothing is returned where reading it would take long; it is read beside the page then.
    """
    home, folder = selection_folder(asked.desk.folder), asked.desk.folder
    records = yaml_files(folder / RECORDS)[0]
    found = hashlib.sha256()
    for path in (*sorted(home.rglob("*")), *records, folder / "history.jsonl"):
        if path.is_file():
            found.update(f"{path}\\0".encode() + hashlib.sha256(path.read_bytes()).digest())

    def read() -> SelectionReading | None:
        readings = [asked.desk.reading(path) for path in records]
        return read_selection(folder, asked.desk.library, readings)

    kept = ("selection", found.hexdigest())
    if at_once and len(records) > AT_ONCE and not asked.desk.has_last(*kept):
        if home.is_dir():
            threading.Thread(target=asked.desk.keep_last, args=(*kept, read), daemon=True).start()
        return None
    return asked.desk.keep_last(*kept, read)


def due_now(selection: Selection, person: str, *, alone: bool = False) -> list[tuple[Stage, str]]:
    """Return what a person can decide now: titles first; full texts once both people are through the titles.

    One person's titles may still be contradicted by a second one. Full texts therefore wait until two have
    screened and settled the titles, or the one says that nobody else will (`alone`).
    """
    mine = due(selection, person)
    titles = [key for key in mine if key[0] == "title_abstract"]
    if titles:
        return titles
    others = [one for one in selection.people if one != person]
    unfinished = any(stage == "title_abstract" for one in others for stage, _ in due(selection, one))
    unsettled = any(stage == "title_abstract" for stage, _ in open_conflicts(selection))
    return [] if unfinished or unsettled or not (others or alone) else mine
