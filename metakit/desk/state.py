"""What the desk keeps in mind between requests: review, person, readings by the hash of a file."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from metakit.core.places import first_link
from metakit.desk.working import Tasks
from metakit.forms.library import Library, shipped
from metakit.forms.records import Reading, read_record
from metakit.review.files import PROTOCOL

MOST_KEPT = 600
_Kept = TypeVar("_Kept")


@dataclass(slots=True, kw_only=True)
class Desk:
    """One review at the desk of one person.

    Nothing here is the only copy of anything: files hold the review, and what is kept is found again from
    them, by their hashes.
    """

    folder: Path
    person: str = ""
    port: int = 0
    remember: Callable[[Desk], None] | None = None
    close: Callable[[], None] | None = None
    library: Library = field(default_factory=shipped)
    tasks: Tasks = field(default_factory=Tasks)
    _kept: OrderedDict[tuple[str, ...], Any] = field(default_factory=OrderedDict)
    _last: dict[str, tuple[str, Any]] = field(default_factory=dict)
    _readings: dict[Path, tuple[str, Reading]] = field(default_factory=dict)
    _guard: threading.RLock = field(default_factory=threading.RLock)

    @property
    def title(self) -> str:
        """Return the review's title, or the name of its folder where there is none yet."""
        group = self.protocol().group if (self.folder / PROTOCOL).is_file() else None
        return (group.text("review.title") if group else "") or self.folder.resolve().name

    @property
    def invented(self) -> bool:
        """Whether the review says that it is an invented one."""
        group = self.protocol().group if (self.folder / PROTOCOL).is_file() else None
        return bool(group and group.flag("review.invented"))

    def protocol(self) -> Reading:
        """Return the reading of the protocol."""
        return self.reading(self.folder / PROTOCOL)

    def reading(self, path: Path) -> Reading:
        """Return what a file says, read once for each content; of one file the last reading alone is kept."""
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        with self._guard:
            last = self._readings.get(path)
        if last is not None and last[0] == digest:
            return last[1]
        made = read_record(path, self.library)
        with self._guard:
            self._readings[path] = (digest, made)
        return made

    def keep(self, key: tuple[str, ...], make: Callable[[], _Kept]) -> _Kept:
        """Return what was made for a key before, or make it; the key holds the hashes of what it rests on."""
        with self._guard:
            if key in self._kept:
                self._kept.move_to_end(key)
                found: _Kept = self._kept[key]
                return found
        made = make()
        with self._guard:
            self._kept[key] = made
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return made

    def keep_last(self, name: str, digest: str, make: Callable[[], _Kept]) -> _Kept:
        """Return what was made of this content before, or make it; of one name the last alone is kept."""
        last = self._last.get(name)
        if last is not None and last[0] == digest:
            found: _Kept = last[1]
            return found
        made = make()
        self._last[name] = (digest, made)
        return made

    def has_last(self, name: str, digest: str) -> bool:
        """Whether what is kept under a name was made of this content."""
        return self._last.get(name, ("", None))[0] == digest

    def kept(self, key: tuple[str, ...]) -> Any:
        """Return what was made for a key before; None where nothing was."""
        with self._guard:
            return self._kept.get(key)

    def shown_name(self, path: Path) -> str:
        """Return how a file of the review is named to the person: within its folder."""
        return path.relative_to(self.folder).as_posix()

    def is_plain(self, path: Path) -> bool:
        """Whether a path is a file of the review behind no symbolic link."""
        return path.is_file() and first_link(self.folder, path) is None

    def sit_down(self, person: str) -> None:
        """Take note of who works at the desk."""
        self.person = person
        if self.remember is not None:
            self.remember(self)
