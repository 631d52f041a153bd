"""An earlier report as the living review reads it: its findings, from a file, a folder or a bundle."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from metakit.errors import DataError, Problem, UnreadableError
from metakit.report.folders.bundle import REPORT, read_bundle
from metakit.report.folders.output_folder import NUMBERS

_LARGEST = 200_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierReport:
    """The findings of an earlier report, and the name of the file they came from."""

    name: str
    findings: Mapping[str, Any]


def read_earlier_report(path: Path) -> EarlierReport:
    """Read what an earlier report found.

    Parameters
    ----------
    path : Path
        `findings.json`, the folder of a report, a review folder with its report, or a bundle.

    Raises
    ------
    UnreadableError
        When there are no findings, or they cannot be read.
    DataError
        When it is a bundle with damaged files.
    """
    file = path
    if path.is_dir():
        places = [path / NUMBERS, path / "report" / NUMBERS]
        file = next((place for place in places if place.is_file()), places[0])
    if file.suffix.lower() == ".zip" and file.is_file():
        bundle = read_bundle(file)
        if bundle.damage:
            raise DataError(bundle.damage)
        content = bundle.files.get(f"{REPORT}/{NUMBERS}", b"")
    else:
        content = _content(file)
    try:
        found = json.loads(content)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or not all(
        isinstance(found.get(key), list) for key in ("analyses", "studies")
    ):
        what = f"this holds no findings of an earlier report ({NUMBERS}, its folder, or a bundle)"
        raise UnreadableError([Problem(file=str(file), what=what)])
    return EarlierReport(name=path.name or str(path), findings=found)


def _content(file: Path) -> bytes:
    try:
        if file.stat().st_size > _LARGEST:
            raise UnreadableError([Problem(file=str(file), what="too large to be the findings of a report")])
        return file.read_bytes()
    except OSError as error:
        raise UnreadableError([Problem(file=str(file), what=error.strerror or "cannot be read")]) from None


def at(value: Any, *keys: str | int) -> Any:
    """Return what lies below nested keys, None where there is nothing of that shape."""
    for key in keys:
        if isinstance(value, Mapping):
            value = value.get(key)
        elif isinstance(value, (list, tuple)) and isinstance(key, int) and -len(value) <= key < len(value):
            value = value[key]
        else:
            return None
    return value


def number(value: Any, *keys: str | int) -> float | None:
    """Return a number below nested keys, None where there is none."""
    found = at(value, *keys)
    if not isinstance(found, (int, float)) or isinstance(found, bool):
        return None
    try:
        return float(found)
    except OverflowError:
        return None


def text(value: Any, *keys: str | int) -> str:
    """Return a text below nested keys, "" where there is none."""
    found = at(value, *keys)
    return found if isinstance(found, str) else ""


def entries(value: Any, *keys: str | int) -> list[Mapping[str, Any]]:
    """Return the entries of a list below nested keys that have a shape of their own."""
    found = at(value, *keys)
    return [item for item in found if isinstance(item, Mapping)] if isinstance(found, Sequence) else []


def by(value: Any, *keys: str | int, name: str) -> dict[str, Mapping[str, Any]]:
    """Return the entries of a list by their name."""
    return {text(item, name): item for item in entries(value, *keys) if text(item, name)}
