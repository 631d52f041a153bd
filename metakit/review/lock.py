"""One writer at a time in a review folder.

The lock is the operating system's own, held on a hidden file: it ends with the process that holds it, however
that process ends, so that a killed run never blocks the next one.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from metakit.core.places import refuse_links
from metakit.errors import UsageError

LOCK_FILE = ".metakit.lock"
PATIENCE = 20.0  # seconds; a write takes well under one


@contextmanager
def review_lock(folder: str | Path, *, patience: float = PATIENCE) -> Iterator[None]:
    """Hold the lock of a review folder while reading what is there and writing what follows from it.

    Parameters
    ----------
    folder : str or Path
        The review folder; it must exist.
    patience : float
        Seconds to wait for another process that is writing.

    Raises
    ------
    UsageError
        When there is no such folder, it cannot be written to, or another process holds the lock for longer.
    """
    from filelock import FileLock, Timeout

    home = Path(folder)
    if not home.is_dir():
        raise UsageError(f"{home} is not a folder; 'metakit new {home}' makes a review folder")
    refuse_links(home, home / LOCK_FILE)
    lock = FileLock(home / LOCK_FILE)
    try:
        lock.acquire(timeout=patience)
    except Timeout:
        raise UsageError(
            f"another process has been writing to {home} for {patience:g} seconds; wait for it, then run "
            "again"
        ) from None
    except OSError as error:
        raise UsageError(f"{home} cannot be written to: {error.strerror or error}") from None
    try:
        yield
    finally:
        lock.release()
