"""`metakit desk`: what it refuses before it serves anything."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from metakit.cli.app import app
from metakit.cli.desk import INSTALL, PACKAGES
from metakit.cli.support.running import run


@pytest.mark.parametrize("missing", PACKAGES)
def test_without_its_packages_it_says_the_one_command(
    missing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *more: None if name == missing else real(name, *more)
    )
    assert run(app, ["desk", str(tmp_path / "review")]) == 2
    assert INSTALL in capsys.readouterr().err
    assert not (tmp_path / "review").exists()


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: path.write_text("x"), "is a file"),
        (lambda path: (path.mkdir(), (path / "letter.txt").write_text("x")), "no review folder"),
    ],
)
def test_what_is_no_review_is_refused(tmp_path: Path, capsys, make, said: str) -> None:
    make(tmp_path / "place")
    assert run(app, ["desk", str(tmp_path / "place"), "--no-browser"]) == 2
    assert said in capsys.readouterr().err


def test_a_folder_must_be_named(capsys) -> None:
    assert run(app, ["desk"]) == 2
    assert "--demo" in capsys.readouterr().err
