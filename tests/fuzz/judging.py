"""What may be found in a folder after a command was stopped: old or new files, whole, and nothing lost."""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path

Files = Mapping[str, bytes]
_LEFT = re.compile(r"(^|/)\.(?!metakit).+\.[a-z0-9_]{8}(/|$)|(^|/)\.writing-\d+(/|$)|(^|/)\.metakit\.lock$")
"""Temporary neighbours of files, staging folders, and the lock."""
_DATED = ("docProps/core.xml", "docProps/app.xml")


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder by its path; what a stopped run may leave is not counted."""
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {name: path.read_bytes() for name, path in sorted(found.items()) if not _LEFT.search(name)}


def left_over(folder: Path) -> list[str]:
    """Return temporary neighbours and staging folders."""
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*")}
    return sorted(name for name in names if _LEFT.search(name) and not name.endswith(".metakit.lock"))


def _undated(name: str, content: bytes) -> object:
    """Return a file without the moment at which it was made: workbooks carry it, and what holds or lists them."""
    if name.endswith("written_files.json"):
        listed = json.loads(content)["files"]
        return {part: digest for part, digest in listed.items() if not part.endswith(".zip")}
    if name.endswith(".zip"):
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            parts = {part: _undated(part, package.read(part)) for part in package.namelist()}
        manifest = (
            json.loads(package_text) if isinstance(package_text := parts.get("manifest.json"), bytes) else {}
        )
        for part in [part for part in manifest.get("files", {}) if part.endswith((".xlsx", ".json"))]:
            del manifest["files"][part]
        return parts | {"manifest.json": manifest}
    if not name.endswith(".xlsx"):
        return content
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        return {part: package.read(part) for part in package.namelist() if part not in _DATED}


def same(name: str, one: bytes | None, other: bytes | None) -> bool:
    """Say whether two states of a file are one; None is no file."""
    if one is None or other is None or one == other:
        return one == other
    try:
        return _undated(name, one) == _undated(name, other)
    except (zipfile.BadZipFile, ValueError, KeyError):
        return False


def differences(found: Files, wanted: Files) -> list[str]:
    """Return the names of files that are not what is wanted."""
    return [name for name in sorted({*found, *wanted}) if not same(name, found.get(name), wanted.get(name))]


def torn(found: Files, before: Files, after: Files) -> list[str]:
    """Return the names of files that are neither as before nor as after the whole command.

    A history that grows line by line may stand at any whole line between the two; the list of a report's own
    files names those of both runs while it is written.
    """
    odd = []
    for name in sorted({*found, *before, *after}):
        states = (before.get(name), after.get(name))
        if any(same(name, found.get(name), state) for state in states):
            continue
        content = found.get(name, b"")
        grown = content.startswith(before.get(name, b"")) and after.get(name, b"").startswith(content)
        if name.endswith("history.jsonl") and grown and content.endswith(b"\n"):
            continue
        if content and name.endswith(("written_files.json", "unit_files.json")):
            continue
        odd.append(name)
    return odd
