"""Writing to disk: a whole file or nothing."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
import stat
import tempfile
from pathlib import Path

from metakit.core.nouns import nouns
from metakit.core.places import refuse_links

_FOUND = "selection"
"""Folder of a review that holds what searches found."""


def write_atomically(path: Path, content: bytes | str, *, within: Path | None = None) -> Path:
    """Write a file through a temporary neighbour and one rename, so that no reader ever sees half of it.

    Text is written as UTF-8 with line feeds. Folders above are made when missing. `within` is the folder that
    the file belongs to, a review or a report: no symbolic link inside it is followed.

    Raises
    ------
    UnreadableError
        When there is such a link.
    """
    if within is not None:
        refuse_links(within, path)
    content = as_written(path, content)
    try:
        return _write(path, content)
    except OSError as error:  # name the file that was meant, not its temporary neighbour, nor none at all
        raise type(error)(error.errno, error.strerror or str(error), str(path)) from None


def as_written(path: Path, content: bytes | str) -> bytes | str:
    """Return what is written for a content: names of the forms in the nouns of the review in hand.

    What a search found keeps its words: titles are nobody's sentences but their authors'.
    """
    if not nouns().pairs or _FOUND in path.parts:
        return content
    return nouns().written(path.name, content if isinstance(content, bytes) else content.encode("utf-8"))


def refuse_unwritable(path: Path) -> None:
    """Stop before computing when a file could not be written, by writing one beside it; nothing is left.

    Raises
    ------
    OSError
        Of the system, naming the file.
    """
    home = path.parent
    while not home.exists() and home != home.parent:
        home = home.parent
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        with tempfile.TemporaryFile(dir=home) as stream:
            stream.write(b"x")
            stream.flush()
    except OSError as error:
        raise type(error)(error.errno, error.strerror or str(error), str(path)) from None


def _write(path: Path, content: bytes | str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    # Named before it is there: a run that is stopped the moment it is made still takes it away.
    temporary = path.parent / f".{path.name}.{secrets.token_hex(4)}"
    try:
        with open(temporary, "xb", opener=_private) as stream:
            stream.write(content.encode() if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.chmod(path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask())
        temporary.replace(path)
    except FileExistsError:  # not ours
        raise
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return path


def _private(name: str, flags: int) -> int:
    """Open a file that nobody else may read until it has the rights of the one it replaces."""
    return os.open(name, flags, 0o600)


def remove_leftovers(path: Path) -> None:
    """Remove the temporary neighbours of a file that a killed run of `write_atomically` left behind."""
    start = f".{path.name}."
    for entry in path.parent.iterdir() if path.parent.is_dir() else ():
        rest = entry.name.removeprefix(start)
        ours = entry.name.startswith(start) and re.fullmatch(r"[a-z0-9_]{8}", rest)
        if ours and stat.S_ISREG(entry.lstat().st_mode):
            entry.unlink(missing_ok=True)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes as hexadecimal text."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
