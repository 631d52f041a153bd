"""The files of a report in their folder: all written, those of an earlier run that are now stale removed.

`written_files.json` lists every file that metakit wrote with the SHA-256 of its bytes. A file is only ever
removed when it is on that list and still holds those bytes; anything else in the folder is left alone and
named.
"""

from __future__ import annotations

import hashlib
import json
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from metakit.core.files import write_atomically
from metakit.core.places import WrongPlaceError, place_within

LIST = "written_files.json"
FIGURES = "figures"
NUMBERS = "findings.json"
REVIEWS_OWN = (".yaml", ".yml", ".jsonl")
"""What a report never writes: a list that names such files is not ours, and nothing of them is removed."""
_LARGEST_LIST = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What a run did to its folder; paths are within it.

    `removed` are stale files of an earlier run; `kept` are stale ones that somebody changed since, and files
    among the figures that metakit did not write.
    """

    written: tuple[str, ...]
    removed: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


def write_folder(folder: Path, files: Mapping[str, bytes]) -> Written:
    """Write all files of a report, then remove what an earlier run wrote and this one did not.

    A stopped run leaves the list of both runs, so that the next one still knows every file of ours.

    Parameters
    ----------
    folder : Path
        Made when missing.
    files : mapping of str to bytes
        By path within the folder, in the order of writing: whoever sees the last finds all others.
    """
    before = _listed(folder)
    now = {name: (_digest(content),) for name, content in files.items()}
    both = {name: tuple(dict.fromkeys((*before.get(name, ()), *now.get(name, ())))) for name in before | now}
    _write_list(folder, both)
    for name, content in files.items():
        write_atomically(folder / name, content, within=folder)
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
    _write_list(folder, now)
    return Written(written=tuple(files), removed=tuple(removed), kept=tuple(kept))


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _write_list(folder: Path, files: Mapping[str, tuple[str, ...]]) -> None:
    answer = {"about": "files that metakit wrote here", "files": {name: list(files[name]) for name in files}}
    write_atomically(
        folder / LIST, json.dumps(answer, indent=1, ensure_ascii=False, sort_keys=True) + "\n", within=folder
    )


def _listed(folder: Path) -> dict[str, tuple[str, ...]]:
    """Return what an earlier run wrote; a list that is damaged or names other places counts for nothing."""
    path = folder / LIST
    try:
        if not stat.S_ISREG(path.lstat().st_mode) or path.stat().st_size > _LARGEST_LIST:
            return {}
        found = json.loads(path.read_bytes())["files"]
        items = [(str(name), tuple(map(str, digests))) for name, digests in found.items()]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}
    return {name: digests for name, digests in items if _our_place(folder, name)}


def _our_place(folder: Path, name: str) -> bool:
    """Whether a name lies in the folder itself or among its figures, and is no file of a review."""
    try:
        place_within(folder, name, ("*", f"{FIGURES}/*"))
    except WrongPlaceError:
        return False
    return not name.endswith(REVIEWS_OWN)


def _regular(folder: Path, name: str) -> bool:
    """Whether a file is there itself: no link, and not behind one."""
    path = folder / name
    try:
        behind = name.count("/") and (folder / FIGURES).is_symlink()
        return stat.S_ISREG(path.lstat().st_mode) and not behind
    except OSError:
        return False


def _among_figures(folder: Path) -> list[str]:
    figures = folder / FIGURES
    if not figures.is_dir() or figures.is_symlink():
        return []
    return sorted(f"{FIGURES}/{path.name}" for path in figures.iterdir() if not path.name.startswith("."))
