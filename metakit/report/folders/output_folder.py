"""The files of a report in their folder: what people edited stays, the earlier report is whole until the end.

`written_files.json` lists every file that metakit wrote with the SHA-256 of its bytes. A file is only ever
replaced or removed when it is on that list and still holds those bytes. One that somebody edited, or put
there, stays; what belongs in its place is written beside it (`report-2.docx`), and both are named. All files
are written into a folder beside first and moved into place by renames, so that an interrupted run leaves the
earlier report.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import stat
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

from metakit.core.files import refuse_unwritable, write_atomically
from metakit.core.nouns import nouns
from metakit.core.places import WrongPlaceError, place_within, refuse_links
from metakit.errors import UsageError

LIST = "written_files.json"
FIGURES, PLACES = "figures", "places"
NUMBERS = "findings.json"
STAGING = ".writing-"
STALE = 86_400.0
"""Seconds after which a staging folder is of no running process."""
REVIEWS_OWN = (".yaml", ".yml", ".jsonl")
"""What a report never writes: a list that names such files is not ours, and nothing of them is removed."""
_LARGEST_LIST = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What a run did to its folder; paths are within it.

    `removed` are stale files of an earlier run; `kept` are stale ones that somebody changed since, and files
    among the figures that metakit did not write. `beside` holds, by the name of a file that somebody edited
    or put there, the name under which ours was written.
    """

    written: tuple[str, ...]
    removed: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    beside: Mapping[str, str] = field(default_factory=dict)


def write_folder(folder: Path, files: Mapping[str, bytes], *, list_name: str = LIST) -> Written:
    """Write all files of a report, then remove what an earlier run wrote and this one did not.

    A stopped run leaves the list of both runs, so that the next one still knows every file of ours.

    Parameters
    ----------
    folder : Path
        Made when missing.
    files : mapping of str to bytes
        By path within the folder, in the order of writing: whoever sees the last finds all others.
    list_name : str
        The list of what was written; another kind of report in the same folder has one of its own.
    """
    check_folder(folder)
    files = {nouns().said(name): nouns().written(name, content) for name, content in files.items()}
    before = _listed(folder, list_name)
    place = {name: _free_place(folder, name, content, before) for name, content in files.items()}
    now = {place[name]: (_digest(content),) for name, content in files.items()}
    with _staged(folder, {place[name]: content for name, content in files.items()}) as staged:
        both = {
            name: tuple(dict.fromkeys((*before.get(name, ()), *now.get(name, ())))) for name in before | now
        }
        _write_list(folder, list_name, both)
        for name, path in staged.items():
            target = folder / name
            target.parent.mkdir(exist_ok=True)
            path.replace(target)
    removed, kept = [], []
    for name, digests in before.items():
        path = folder / name
        if name in now or not _regular(folder, name):
            continue
        if _digest(path.read_bytes()) in digests:
            path.unlink()
            removed.append(name)
        else:
            kept.append(name)
    kept += [name for name in _among_figures(folder) if name not in now and name not in kept]
    _write_list(folder, list_name, now)
    moved = {name: where for name, where in place.items() if where != name}
    return Written(
        written=tuple(place.values()), removed=tuple(removed),
        kept=tuple(name for name in kept if name not in moved), beside=moved,
    )  # fmt: skip


def check_folder(folder: Path) -> None:
    """Refuse a place where no folder of files can be written; called before anything is computed.

    Raises
    ------
    UsageError
        Naming the file or folder that stands in the way.
    """
    try:
        folder.lstat()
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:  # a name too long, a NUL, a file in the way
        if not isinstance(error, NotADirectoryError):
            reason = getattr(error, "strerror", None) or str(error)
            raise UsageError(f"{folder} can be no folder ({reason}); name another with --out") from None
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists() or path.is_symlink())
    if not there.is_dir():
        raise UsageError(f"{there} is a file; a report is written into a folder: name another with --out")
    figures = folder / FIGURES
    refuse_links(folder, figures)
    if figures.exists() and not figures.is_dir():
        raise UsageError(f"{figures} is no folder, and figures are written there: name another with --out")
    for home in (there, figures) if figures.exists() else (there,):
        try:
            refuse_unwritable(home / LIST)
        except OSError as error:  # a trial, as rights say nothing to root, of a full disk, or of /proc
            reason = error.strerror or str(error)
            raise UsageError(
                f"{home} cannot be written to ({reason}); name another folder with --out"
            ) from None


def _free_place(folder: Path, name: str, content: bytes, before: Mapping[str, tuple[str, ...]]) -> str:
    """Return where a file goes: its own place, or beside what is there and not ours."""
    stem, dot, ending = name.rpartition(".")
    for number in count(1):
        place = name if number == 1 else f"{stem}-{number}{dot}{ending}"
        path = folder / place
        if not path.exists() and not path.is_symlink():
            return place
        if _regular(folder, place):
            digest = _digest(path.read_bytes())
            if digest == _digest(content) or digest in before.get(place, ()):
                return place
    raise AssertionError  # pragma: no cover - counting never ends


@contextmanager
def _staged(folder: Path, files: Mapping[str, bytes]) -> Iterator[Mapping[str, Path]]:
    """Write files into a folder of their own within the target; gone at the end, as older ones."""
    for name in files:
        refuse_links(folder, folder / name)
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob(f"{STAGING}*"):
        if old.is_dir() and not old.is_symlink() and _left_behind(old):
            shutil.rmtree(old, ignore_errors=True)
    home = folder / f"{STAGING}{os.getpid()}"
    try:
        staged = {}
        for name, content in files.items():
            staged[name] = write_atomically(home / name, content)
            there = folder / name
            staged[name].chmod(
                there.stat().st_mode & 0o777 if there.exists() else staged[name].stat().st_mode
            )
        yield staged
    finally:
        _cleared(home)


def _cleared(home: Path) -> None:
    """Remove a folder of ours; a run that is stopped meanwhile removes it to the end before it stops."""
    try:
        shutil.rmtree(home, ignore_errors=True)
    except BaseException:
        shutil.rmtree(home, ignore_errors=True)
        raise


def _left_behind(staging: Path) -> bool:
    """Whether a staging folder is of a run that was killed: no run takes a day."""
    return time.time() - staging.lstat().st_mtime > STALE


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _write_list(folder: Path, list_name: str, files: Mapping[str, tuple[str, ...]]) -> None:
    answer = {"about": "files that metakit wrote here", "files": {name: list(files[name]) for name in files}}
    write_atomically(
        folder / list_name,
        json.dumps(answer, indent=1, ensure_ascii=False, sort_keys=True) + "\n",
        within=folder,
    )


def _listed(folder: Path, list_name: str) -> dict[str, tuple[str, ...]]:
    """Return what an earlier run wrote; a list that is damaged or names other places counts for nothing."""
    path = folder / list_name
    try:
        if not stat.S_ISREG(path.lstat().st_mode) or path.stat().st_size > _LARGEST_LIST:
            return {}
        found = json.loads(path.read_bytes())["files"]
        items = [(str(name), tuple(map(str, digests))) for name, digests in found.items()]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}
    return {name: digests for name, digests in items if _our_place(folder, name)}


def _our_place(folder: Path, name: str) -> bool:
    """Whether a name lies in the folder itself, among its figures or places, and is no file of a review."""
    try:
        place_within(folder, name, ("*", f"{FIGURES}/*", f"{PLACES}/*.png"))
    except WrongPlaceError:
        return False
    return not name.endswith(REVIEWS_OWN)


def _regular(folder: Path, name: str) -> bool:
    """Whether a file is there itself: no link, and not behind one."""
    path = folder / name
    try:
        behind = name.count("/") and (folder / name.partition("/")[0]).is_symlink()
        return stat.S_ISREG(path.lstat().st_mode) and not behind
    except OSError:
        return False


def _among_figures(folder: Path) -> list[str]:
    figures = folder / FIGURES
    if not figures.is_dir() or figures.is_symlink():
        return []
    return sorted(f"{FIGURES}/{path.name}" for path in figures.iterdir() if not path.name.startswith("."))
