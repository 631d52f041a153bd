"""The container of a bundle: a zip file of one form only, so that the same files give the same bytes.

Files stand in order of name, stored and not compressed (what compression gives depends on the version of its
library), with one date and one set of permissions. A zip file of any other form is refused: whatever is not
one of its files, byte for byte, would be something that nobody has looked at.
"""

from __future__ import annotations

import io
import stat
import unicodedata
import zipfile
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from metakit.core.places import LONGEST_NAME, name_fault
from metakit.errors import Problem, UnreadableError

LARGEST = 400_000_000
"""Bytes in a whole bundle; the report of 150 studies takes about a tenth."""
MOST_FILES = 20_000
_DATE = (1980, 1, 1, 0, 0, 0)
_PERMISSIONS = 0o644
_MADE_ON = 3
"""The zip format's number for Unix, written on every system."""
_BROKEN = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    NotImplementedError,
    RuntimeError,
    ValueError,
    EOFError,
    OSError,
    OverflowError,
    LookupError,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unpacked:
    """The files of a bundle by name, and what is damaged about it."""

    files: Mapping[str, bytes]
    damage: tuple[Problem, ...] = ()


def pack(files: Mapping[str, bytes]) -> bytes:
    """Return files as the bytes of a zip file; the same files give the same bytes on every computer."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as packed:
        for name in sorted(files):
            info = zipfile.ZipInfo(name, date_time=_DATE)
            info.create_system = _MADE_ON
            info.external_attr = (stat.S_IFREG | _PERMISSIONS) << 16
            packed.writestr(info, files[name])
    return stream.getvalue()


def unpack(path: Path) -> Unpacked:
    """Read a bundle without writing anything.

    Raises
    ------
    UnreadableError
        When it is no zip file, or one that could do harm: with every reason.
    """
    content = _content(path)
    try:
        packed = zipfile.ZipFile(io.BytesIO(content))
        entries = packed.infolist()
    except _BROKEN:
        raise UnreadableError(
            [_problem(path, "this is no bundle: it cannot be read as a zip file")]
        ) from None
    with packed:
        wrong = [_problem(path, what, found) for what, found in _refusals(entries, len(content))]
        if wrong:
            raise UnreadableError(wrong)
        files: dict[str, bytes] = {}
        damage: list[Problem] = []
        for entry in entries:
            try:
                files[entry.filename] = packed.read(entry)
            except _BROKEN:
                damage.append(_problem(path, "this file of the bundle is damaged", entry.filename))
    if not damage and pack(files) != content:
        damage.append(_problem(path, "the bundle holds bytes that belong to none of its files"))
    return Unpacked(files=files, damage=tuple(damage))


def name_faults(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return what is wrong with names of files, each with the name.

    A name must stay within its folder and mean one and the same file on every system.
    """
    listed = list(names)
    faults = []
    same: Counter[str] = Counter()
    for name in listed:
        same[unicodedata.normalize("NFC", name).casefold()] += 1
        fault = name_fault(name)
        if fault:
            faults.append((fault, f"{name[:40]}..." if len(name) > LONGEST_NAME else name))
    faults += [("two files of one name", name) for name, number in same.items() if number > 1]
    folders = {start for name in same for start in _folders(name)}
    faults += [("a file in the place of a folder", name) for name in same if name in folders]
    return faults


def _content(path: Path) -> bytes:
    try:
        kind = path.stat()
        if not stat.S_ISREG(kind.st_mode):
            raise UnreadableError([_problem(path, "this is no file")])
        if kind.st_size > LARGEST:
            limit = f"at most {LARGEST / 1e6:.0f} MB"
            what = "the bundle is too large to be one of ours"
            raise UnreadableError(
                [Problem(file=str(path), what=what, found=f"{kind.st_size / 1e6:.0f} MB", allowed=limit)]
            )
        with path.open("rb") as stream:
            return stream.read(LARGEST + 1)
    except OSError as error:
        raise UnreadableError([_problem(path, error.strerror or "the bundle cannot be read")]) from None


def _refusals(entries: list[zipfile.ZipInfo], size: int) -> list[tuple[str, str]]:
    """Return why a zip file is not even unpacked: nothing of it has been read yet."""
    if len(entries) > MOST_FILES:
        return [("too many files", f"{len(entries)}")]
    found = name_faults(entry.filename for entry in entries)
    for entry in entries:
        mode = entry.external_attr >> 16
        if stat.S_ISLNK(mode):
            found.append(("a link in the place of a file", entry.filename))
        elif mode and not stat.S_ISREG(mode):
            found.append(("something that is no plain file", entry.filename))
        if entry.compress_type != zipfile.ZIP_STORED or entry.file_size != entry.compress_size:
            found.append(("a compressed file; a bundle stores its files as they are", entry.filename))
        if entry.flag_bits & 0x1:
            found.append(("an encrypted file", entry.filename))
    if sum(entry.file_size for entry in entries) > size:
        found.append(("files that claim to be larger than the bundle", ""))
    return found


def _folders(name: str) -> list[str]:
    parts = name.split("/")
    return ["/".join(parts[:end]) for end in range(1, len(parts))]


def _problem(path: Path, what: str, found: str = "") -> Problem:
    return Problem(
        file=str(path), what=what, found="".join(c if c.isprintable() else "?" for c in found)[:200]
    )
