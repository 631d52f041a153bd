"""Pictures of places lie in a folder of their own, which git leaves out; nothing else may stand there."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metakit.errors import UnreadableError, UsageError
from metakit.report.folders.output_folder import LIST, write_folder
from metakit.report.folders.place_files import check_places, keep_from_git


def test_a_file_or_a_link_in_the_way_is_refused(tmp_path: Path) -> None:
    check_places(tmp_path)
    (tmp_path / "places").write_text("mine")
    with pytest.raises(UsageError, match="is no folder"):
        check_places(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "places").unlink()
    (tmp_path / "places").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UnreadableError, match="symbolic link"):
        check_places(tmp_path)
    with pytest.raises(UnreadableError, match="symbolic link"):
        keep_from_git(tmp_path)
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_git_leaves_pictures_out_and_a_later_report_removes_its_own_alone(tmp_path: Path) -> None:
    keep_from_git(tmp_path)
    ignored = tmp_path / "places" / ".gitignore"
    assert ignored.read_text(encoding="utf-8").endswith("\n*\n")
    pictures = {"places/a.png": b"one", "places/b.png": b"two"}
    write_folder(tmp_path, {**pictures, "report.html": b"page"})
    assert pictures.keys() <= json.loads((tmp_path / LIST).read_bytes())["files"].keys()
    (tmp_path / "places/b.png").write_bytes(b"a note of somebody")
    (tmp_path / "places/mine.png").write_bytes(b"mine")
    found = write_folder(tmp_path, {"report.html": b"page"})
    assert found.removed == ("places/a.png",) and found.kept == ("places/b.png",)
    assert {path.name for path in (tmp_path / "places").iterdir()} == {".gitignore", "b.png", "mine.png"}


def test_a_list_that_names_pictures_behind_a_link_removes_nothing(tmp_path: Path) -> None:
    home, elsewhere = tmp_path / "report", tmp_path / "elsewhere"
    write_folder(home, {"places/a.png": b"one", "report.html": b"page"})
    (home / "places").rename(elsewhere)
    (home / "places").symlink_to(elsewhere)
    assert write_folder(home, {"report.html": b"page"}).removed == ()
    assert (elsewhere / "a.png").read_bytes() == b"one"
