"""Files of a finished page are opened by name among those that are there, under their own policy."""

from __future__ import annotations

from pathlib import Path

import pytest
from starlette.exceptions import HTTPException

from metakit.desk.page import written_file
from metakit.desk.state import Desk

OWN = "default-src 'none'; script-src 'sha256-x'"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    home = tmp_path / "unit"
    home.mkdir()
    for name in ("unit.html", "figure.svg", "unit.json", ".hidden"):
        (home / name).write_text("<svg/>")
    (tmp_path / "secret.txt").write_text("secret")
    (home / "link.html").symlink_to(tmp_path / "secret.txt")
    return Desk(folder=tmp_path)


def test_a_page_keeps_its_policy_and_stands_in_no_frame(desk: Desk) -> None:
    page = written_file(desk, desk.folder / "unit", "unit.html", lambda content: OWN if content else "")
    assert page.headers["content-security-policy"] == f"{OWN}; frame-ancestors 'none'"
    figure = written_file(desk, desk.folder / "unit", "figure.svg", lambda _: OWN)
    assert figure.media_type == "image/svg+xml"
    assert "script-src" not in figure.headers["content-security-policy"]
    assert (
        written_file(desk, desk.folder / "unit", "unit.json", lambda _: OWN).media_type == "application/json"
    )


@pytest.mark.parametrize(
    "name", ["../secret.txt", "/etc/passwd", ".hidden", "link.html", "nothing.html", "", "..", "a\\b"]
)
def test_nothing_else_is_opened(desk: Desk, name: str) -> None:
    with pytest.raises(HTTPException) as refused:
        written_file(desk, desk.folder / "unit", name, lambda _: OWN)
    assert refused.value.status_code == 404
