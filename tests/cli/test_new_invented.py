"""`metakit new --invented`: a copy of the demonstration review that behaves like it, and nothing overwritten."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.forms.bundled import demo_studies


def contents(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


@pytest.mark.walk
def test_the_copy_is_whole_and_checks_like_the_original(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "trial"
    assert run(app, ["new", str(folder), "--invented"]) == 0
    said = capsys.readouterr()
    assert said.out.strip() == str(folder) and "INVENTED" in said.err
    assert contents(folder) == contents(demo_studies())
    assert run(app, ["check", str(folder)]) == run(app, ["check", str(demo_studies())]) == 0


def test_nothing_is_overwritten_and_a_protocol_of_ones_own_does_not_fit(tmp_path: Path, capsys) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "protocol.yaml").write_text("kept", encoding="utf-8")
    assert run(app, ["new", str(tmp_path / "mine"), "--invented"]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert contents(tmp_path / "mine") == {"protocol.yaml": b"kept"}
    arguments = [
        "new",
        str(tmp_path / "other"),
        "--invented",
        "--protocol",
        str(demo_studies() / "protocol.yaml"),
    ]
    assert run(app, arguments) == 2
    assert "leave --protocol out" in capsys.readouterr().err
    assert not (tmp_path / "other").exists()
