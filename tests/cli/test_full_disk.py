"""A disk that is full at the n-th write: every file is whole, old or new, nothing is left over, the file is named.

Source of the error: errno ENOSPC, as POSIX write(2) gives it.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
from hashlib import sha256
from pathlib import Path

import pytest

import metakit.core.files as files

ROOT = Path(__file__).resolve().parents[2]
EXPORT = 'title,authors,year,doi\nA trial of two slings,"Quillmere, A",2020,10.1234/x\n'


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder but the lock."""
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {
        name: path.read_bytes().replace(str(folder).encode(), b"REVIEW")
        for name, path in found.items()
        if not name.endswith(".lock")
    }


def review(tmp_path: Path, name: str) -> Path:
    folder = tmp_path / name
    shutil.copytree(ROOT / "demo_studies", folder)
    return folder


def commands(folder: Path, export: Path) -> dict[str, list[str]]:
    return {
        "collect a search": ["collect", str(export), "--into", str(folder)],
        "reconcile": ["reconcile", str(folder)],
    }


@pytest.mark.walk
@pytest.mark.parametrize("name", ["collect a search", "reconcile"])
def test_a_full_disk_leaves_whole_files(tmp_path: Path, metakit_command, monkeypatch, name: str) -> None:
    export = tmp_path / "new_database.csv"
    export.write_text(EXPORT)
    pristine = review(tmp_path, "pristine")
    done = tmp_path / "done"
    shutil.copytree(pristine, done)
    said = metakit_command(*commands(done, export)[name])
    assert said.status == 0, said.err
    before, after = contents(pristine), contents(done)
    real, writes = os.fsync, 0
    for full_at in range(40):
        folder = tmp_path / f"full_{full_at}"
        shutil.copytree(pristine, folder)
        writes = 0

        def fsync(handle: int, full_at: int = full_at) -> None:
            nonlocal writes
            writes += 1
            if writes > full_at:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            real(handle)

        monkeypatch.setattr(files.os, "fsync", fsync)
        said = metakit_command(*commands(folder, export)[name])
        monkeypatch.setattr(files.os, "fsync", real)
        found = contents(folder)
        assert set(found) <= set(before) | set(after), f"left over at write {full_at}"
        odd = [n for n, c in found.items() if c not in (before.get(n), after.get(n)) and n != "history.jsonl"]
        for listed in [file for file in odd if file.endswith("written_files.json")]:
            # It holds digests of a page that names its own folder, so it is never that of another folder.
            told = json.loads((folder / listed).read_bytes())["files"]
            assert list(told) == list(json.loads(after[listed])["files"])
            for path in [(folder / listed).with_name(name_there) for name_there in told]:
                assert not path.exists() or sha256(path.read_bytes()).hexdigest() in told[path.name]
            odd.remove(listed)
        assert odd == [], f"half at write {full_at}"
        if said.status == 0:
            break
        assert said.status == 2 and "No space left on device: " in said.err and str(folder) in said.err
        again = metakit_command(*commands(folder, export)[name])  # the next run completes it
        assert again.status == 0, again.err
        shutil.rmtree(folder)
    else:
        pytest.fail("the disk was never large enough")
    assert full_at > 0
