"""Writing to disk: a whole file or nothing."""

from __future__ import annotations

import hashlib
import os
import re
import stat
import tempfile
from pathlib import Path

from metakit.core.places import refuse_links


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
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content.encode() if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.chmod(path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask())
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return path


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
