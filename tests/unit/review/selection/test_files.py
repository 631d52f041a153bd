"""Where the files of a selection are, and whose they are."""

from __future__ import annotations

from pathlib import Path

from metakit.review.selection.files import AGREED, screening_file, screening_files, selection_folder


def test_each_screener_has_a_file_and_the_agreed_one_is_nobodys(tmp_path: Path) -> None:
    home = selection_folder(tmp_path)
    assert home == tmp_path / "selection" and screening_files(tmp_path) == {}
    home.mkdir()
    for name in (
        screening_file(tmp_path, "AB"),
        screening_file(tmp_path, "CD"),
        home / AGREED,
        home / "citations.csv",
    ):
        name.write_text("x")
    assert screening_files(tmp_path) == {who: home / f"screening_{who}.csv" for who in ("AB", "CD")}
