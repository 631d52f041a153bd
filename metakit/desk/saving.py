"""Saving: lock, compare, change the text, write whole, check. What others typed meanwhile is kept and shown.

A page says which file it saw (by hash) and which value stood in the field. When only the file differs, the
field is saved beside what others did; when the field differs, nothing is written and both values are shown. A
save that comes a second time, because its answer was lost on the way, is one save.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from metakit.core.files import remove_leftovers, write_atomically
from metakit.core.places import refuse_links
from metakit.desk.changes import Change, with_changes
from metakit.desk.state import Desk
from metakit.errors import UsageError
from metakit.forms.records import Reading
from metakit.review.lock import review_lock

PATIENCE = 20.0
Edit = Callable[[str, Reading], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """What came of a save: the file's reading now, and entries whose address became another: (old, new)."""

    reading: Reading
    moved: tuple[tuple[str, str], ...] = ()

    @property
    def sha256(self) -> str:
        """Return the file's hash now."""
        return self.reading.sha256


def change_file(desk: Desk, path: Path, edit: Edit) -> Saved:
    """Change a file of the review under its lock.

    Parameters
    ----------
    desk : Desk
        The desk.
    path : Path
        The file; it must exist.
    edit : callable
        Gives the new text from the text and the reading of what stands there now.

    Raises
    ------
    UsageError
        When the file is gone or is no text. Whatever `edit` raises leaves the file as it is.
    """
    with review_lock(desk.folder, patience=PATIENCE):
        if not desk.is_plain(path):
            raise UsageError(f"{desk.shown_name(path)} is no longer there")
        before = path.read_bytes()
        try:
            text = before.decode()
        except UnicodeDecodeError:
            raise UsageError(f"{desk.shown_name(path)} is no UTF-8 text; save it again as UTF-8") from None
        after = edit(text, desk.reading(path)).encode()
        if after != before:
            remove_leftovers(path)
            write_atomically(path, after, within=desk.folder)
        return Saved(reading=desk.reading(path))


def save_fields(desk: Desk, path: Path, sha256: str, changes: Iterable[Change]) -> Saved:
    """Save fields of a file, all or none.

    Parameters
    ----------
    desk : Desk
        The desk.
    path : Path
        The file.
    sha256 : str
        The file's hash as the page knew it.
    changes : iterable of Change
        What is to be saved.

    Raises
    ------
    ConflictError
        When a field holds neither what the page saw nor what is to be saved.
    UsageError
        When there is no such field, the change would touch others, or the file cannot be read.
    """
    moved: list[tuple[str, str]] = []

    def edit(text: str, reading: Reading) -> str:
        if reading.form is None:
            raise UsageError(f"{desk.shown_name(path)} cannot be read; mend it by hand, then go on here")
        same = hashlib.sha256(text.encode()).hexdigest() == reading.sha256
        text, found = with_changes(
            text, reading.form, changes, seen=reading.sha256 == sha256,
            known=reading.addresses if same else None,
        )  # fmt: skip
        moved.extend(found)
        return text

    saved = change_file(desk, path, edit)
    return Saved(reading=saved.reading, moved=tuple(moved))


def new_file(desk: Desk, path: Path, text: str) -> Saved:
    """Write a file that does not exist yet, under the lock.

    Raises
    ------
    UsageError
        When it exists by now.
    """
    with review_lock(desk.folder, patience=PATIENCE):
        refuse_links(desk.folder, path)
        if path.exists():
            raise UsageError(f"{desk.shown_name(path)} exists already")
        write_atomically(path, text, within=desk.folder)
        return Saved(reading=desk.reading(path))
