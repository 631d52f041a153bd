"""Writing to disk: a whole file or nothing."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path


def write_atomically(path: Path, content: bytes | str) -> Path:
    """Write a file through a temporary neighbour and one rename, so that no reader ever sees half of it.

    Text is written as UTF-8 with line feeds. Folders above are made when missing.
    """
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


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes as hexadecimal text."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
