"""Single files that metakit wrote and nobody changed since: only those are replaced.

A picture or a schema lies where its user wants it, with no list beside it. So the file itself carries a seal:
the SHA-256 of its other bytes, where its format allows a remark. A file whose seal holds is ours to replace;
one that somebody edited, or put there, stays, and ours is written beside it (`forest-2.svg`).
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from metakit.core.files import write_atomically
from metakit.errors import UsageError

_WORDS = "written by metakit, sha256 "
_PNG_END = 12
"""Bytes of the last chunk of a PNG file (Portable Network Graphics, third edition, section 11.2.5)."""
_JSON_END = 3  # bytes of a line feed, a closing brace and a line feed
_PACKAGES = (".xlsx", ".docx", ".zip")
_KINDS = (*_PACKAGES, ".svg", ".pdf", ".png", ".tif", ".tiff", ".txt", ".json")
"""Kinds whose seal is the comment of a zip archive, which programs that save them leave out (APPNOTE of the
zip format, section 4.3.16: two bytes of length, then the comment, at the very end)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where a file was written, and `wanted`, where it was to go: another place when that one was taken."""

    path: Path
    wanted: Path

    @property
    def beside(self) -> str:
        """What to say when the file went beside another; "" where it did not."""
        if self.path == self.wanted:
            return ""
        return f"{self.wanted} was edited or is not ours: it stays as it is, and ours is {self.path}."


def sealed(content: bytes, kind: str) -> bytes:
    """Return the bytes of a file with its seal.

    Parameters
    ----------
    content : bytes
        A whole file.
    kind : str
        Ending of its name: ".svg", ".pdf", ".png", ".tif", ".tiff", ".xlsx", ".docx", ".zip" (without a
        comment of its own) or ".json" (an object over several lines). Other kinds carry no seal.
    """
    if kind not in _KINDS:
        return content
    if kind in _PACKAGES:
        remark = f"{_WORDS}{hashlib.sha256(content).hexdigest()}".encode()
        return content[:-2] + len(remark).to_bytes(2, "little") + remark
    at = len(content) - _after(kind)
    return content[:at] + _seal(kind, hashlib.sha256(content).hexdigest()) + content[at:]


def seal_holds(content: bytes, kind: str) -> bool:
    """Say whether a file carries a seal and is, to the byte, what was sealed.

    Examples
    --------
    >>> file = sealed(b"<svg/>", ".svg")
    >>> seal_holds(file, ".svg"), seal_holds(file.replace(b"svg/", b"svg /"), ".svg")
    (True, False)
    """
    if kind not in _KINDS:
        return False
    if kind in _PACKAGES:
        length = len(_WORDS) + 64
        return content == sealed(content[: -length - 2] + b"\0\0", kind)
    length = len(_seal(kind, "0" * 64))
    end = len(content) - _after(kind)
    if end < length:
        return False
    seal, rest = content[end - length : end], content[: end - length] + content[end:]
    return seal == _seal(kind, hashlib.sha256(rest).hexdigest())


def write_sealed(path: Path, content: bytes, *, kind: str = "") -> Placed:
    """Write a file with its seal where it is wanted, or beside what is there and not ours.

    Parameters
    ----------
    path : Path
    content : bytes
        Without a seal.
    kind : str
        See `sealed`; the ending of the name when left out.
    """
    kind = kind or path.suffix.lower()
    whole = sealed(content, kind)
    for number in count(1):
        place = path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")
        if _ours(place, whole, kind):
            return Placed(path=write_atomically(place, whole), wanted=path)
    raise AssertionError  # pragma: no cover - counting never ends


def write_new(files: Mapping[Path, bytes], *, replace: bool = False) -> tuple[Path, ...]:
    """Write files that people type into: never over one that somebody has saved since.

    Raises
    ------
    UsageError
        Naming the files in the way, before anything is written.
    """
    for path, content in files.items():
        check_place(path, replace=replace, content=content)
    return tuple(
        write_atomically(path, sealed(content, path.suffix.lower()) if _sealable(path) else content)
        for path, content in files.items()
    )


def check_place(path: Path, *, replace: bool, content: bytes | None = None) -> None:
    """Refuse a place that holds a file, or with `replace` one that somebody has saved since we wrote it.

    Parameters
    ----------
    path : Path
    replace : bool
    content : bytes, optional
        What is to be written; without it, kinds that carry no seal are left to a later check.

    Raises
    ------
    UsageError
        Naming the file.
    """
    if not path.exists() and not path.is_symlink():
        return
    if not replace:
        raise UsageError(f"{path} exists already; choose another name, or add --replace")
    known = content is not None or _sealable(path)
    if known and not _as_written(path, content or b""):
        raise UsageError(
            f"{path}: somebody has saved this since it was made, or it is not ours; move it away first"
        )


def _sealable(path: Path) -> bool:
    return path.suffix.lower() in (".xlsx", ".zip")


def _as_written(path: Path, content: bytes) -> bool:
    """Say whether a file is one of ours that nobody has touched."""
    if path.is_symlink() or not path.is_file():
        return False
    there = path.read_bytes()
    return there == content or (_sealable(path) and seal_holds(there, path.suffix.lower()))


def _ours(path: Path, whole: bytes, kind: str) -> bool:
    if path.is_symlink():
        return False
    if not path.exists():
        return True
    if not path.is_file():
        return False
    there = path.read_bytes()
    return there in (whole, b"") or seal_holds(there, kind)


def _after(kind: str) -> int:
    """Return how many bytes of a file stand behind its seal."""
    return {".png": _PNG_END, ".json": _JSON_END}.get(kind, 0)


def _seal(kind: str, digest: str) -> bytes:
    remark = f"{_WORDS}{digest}".encode()
    if kind == ".png":
        text = b"tEXtComment\x00" + remark
        return (len(text) - 4).to_bytes(4) + text + zlib.crc32(text).to_bytes(4)
    if kind == ".json":
        return b',\n  "$comment": "' + remark + b'"'
    if kind == ".svg":
        return b"<!-- " + remark + b" -->\n"
    if kind == ".txt":
        return b"[" + remark + b"]\n"
    if kind == ".pdf":
        return b"%" + remark + b"\n"
    return b"\n" + remark + b"\n"
