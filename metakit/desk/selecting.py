"""The selection of studies as the desk reads it, again only when one of its files has changed."""

from __future__ import annotations

import hashlib

from metakit.desk.page import Asked
from metakit.review.files import RECORDS, yaml_files
from metakit.review.selection.files import selection_folder
from metakit.review.selection.reading import SelectionReading, read_selection


def selection_of(asked: Asked) -> SelectionReading | None:
    """Return the selection as its files hold it, read again only when one of them has changed."""
    home, folder = selection_folder(asked.desk.folder), asked.desk.folder
    records = yaml_files(folder / RECORDS)[0]
    found = hashlib.sha256()
    for path in (*sorted(home.rglob("*")), *records, folder / "history.jsonl"):
        if path.is_file():
            found.update(f"{path}\\0".encode() + hashlib.sha256(path.read_bytes()).digest())

    def read() -> SelectionReading | None:
        readings = [asked.desk.reading(path) for path in records]
        return read_selection(folder, asked.desk.library, readings)

    return asked.desk.keep(("selection", found.hexdigest()), read)
