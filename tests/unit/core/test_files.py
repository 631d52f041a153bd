"""A whole file or nothing, also where a run is stopped the moment its temporary neighbour is made."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from metakit.core import files
from metakit.core.files import remove_leftovers, write_atomically


def stopped(*_: object) -> int:
    raise KeyboardInterrupt


def test_nothing_is_left_of_a_run_that_is_stopped_as_the_neighbour_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C between the making of the file and the first line that knows its name."""
    path = tmp_path / "history.jsonl"
    path.write_text("as before", encoding="utf-8")
    real = os.open

    def opened(name: str, flags: int) -> int:
        os.close(real(name, flags, 0o600))
        raise KeyboardInterrupt

    monkeypatch.setattr(files, "_private", opened)
    with pytest.raises(KeyboardInterrupt):
        write_atomically(path, "new")
    assert [found.name for found in tmp_path.iterdir()] == ["history.jsonl"]
    assert path.read_text(encoding="utf-8") == "as before"


def test_nothing_is_left_of_a_run_that_is_stopped_before_the_rename(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_atomically(tmp_path / "a.txt", "new")
    assert list(tmp_path.iterdir()) == []


def test_a_neighbour_of_somebody_else_is_never_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files.secrets, "token_hex", lambda size: "0" * 2 * size)
    theirs = tmp_path / ".a.txt.00000000"
    theirs.write_text("theirs", encoding="utf-8")
    with pytest.raises(FileExistsError, match=r"a\.txt"):
        write_atomically(tmp_path / "a.txt", "new")
    assert theirs.read_text(encoding="utf-8") == "theirs" and not (tmp_path / "a.txt").exists()


@pytest.mark.skipif(os.name == "nt", reason="rights of POSIX")
def test_rights_are_those_of_the_file_before_or_of_any_new_file(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    new = write_atomically(tmp_path / "new.txt", "x")
    assert stat.S_IMODE(new.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)
    new.chmod(0o640)
    assert stat.S_IMODE(write_atomically(new, "y").stat().st_mode) == 0o640


def test_a_killed_run_is_known_by_the_name_that_it_left(tmp_path: Path) -> None:
    for name in (".a.txt.0123abcd", ".a.txt.0123abc", ".b.txt.0123abcd", "a.txt"):
        (tmp_path / name).touch()
    remove_leftovers(tmp_path / "a.txt")
    assert sorted(found.name for found in tmp_path.iterdir()) == [
        ".a.txt.0123abc",
        ".b.txt.0123abcd",
        "a.txt",
    ]
