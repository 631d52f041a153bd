"""Which files a review folder holds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from metakit.errors import Problem

PROTOCOL = "protocol.yaml"
RECORDS = "records"
EXTRACTORS = "extractors"
_ENDINGS = (".yaml", ".yml")


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderFiles:
    """Files of a review folder in order of name, and what is odd about the folder itself."""

    protocol: Path | None
    records: tuple[Path, ...]
    problems: tuple[Problem, ...]


def folder_files(folder: Path) -> FolderFiles:
    """List the files of a review folder; never raises for what is there.

    Hidden files and the lock files of office programs (~$...) are passed over; anything else among the
    records that is not YAML is pointed out.
    """
    problems: list[Problem] = []
    shown = str(folder)
    if not folder.exists():
        return _nothing(
            Problem(file=shown, what="there is no such folder", hint=f"'metakit new {shown}' makes one")
        )
    if not folder.is_dir():
        return _nothing(Problem(file=shown, what="this is a file, not a review folder"))
    protocol = folder / PROTOCOL
    if not protocol.is_file():
        problems.append(
            Problem(
                file=shown,
                what=f"the folder has no {PROTOCOL}",
                hint="'metakit new DIR' makes a review folder",
            )
        )
    records, odd = yaml_files(folder / RECORDS)
    problems += odd
    if not records:
        problems.append(
            Problem(
                file=shown,
                what=f"the folder has no records (no .yaml file in {RECORDS}/)",
                hint=f"'metakit reconcile {shown}' makes them of what the extractors typed"
                if (folder / EXTRACTORS).is_dir()
                else "one record a study",
            )
        )
    return FolderFiles(
        protocol=protocol if protocol.is_file() else None, records=records, problems=tuple(problems)
    )


def yaml_files(folder: Path) -> tuple[tuple[Path, ...], list[Problem]]:
    """Return the YAML files of a folder in order of name, and a question for every other file."""
    if not folder.is_dir():
        return (), []
    files, odd = [], []
    for path in sorted(folder.iterdir(), key=lambda path: path.name):
        if path.name.startswith((".", "~$")) or path.is_dir():
            continue
        if path.suffix.lower() in _ENDINGS:
            files.append(path)
        else:
            odd.append(Problem(file=str(path), what="not read: no .yaml file", severity="question"))
    return tuple(files), odd


def _nothing(problem: Problem) -> FolderFiles:
    return FolderFiles(protocol=None, records=(), problems=(problem,))
