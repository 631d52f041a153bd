"""Shipped folders: the checkout's first, else those inside the package."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import UnreadableError
from metakit.forms import bundled


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    home = tmp_path / "site" / "metakit"
    (home / "_bundled" / "extraction_forms").mkdir(parents=True)
    monkeypatch.setattr(bundled.resources, "files", lambda name: home)
    return home


def test_installed_package(package: Path) -> None:
    assert bundled.forms_folder() == package / "_bundled" / "extraction_forms"


def test_checkout_comes_first(package: Path) -> None:
    (package.parent / "extraction_forms").mkdir()
    assert (
        bundled.forms_folder() == package / "_bundled" / "extraction_forms"
    )  # not a checkout without pyproject
    (package.parent / "pyproject.toml").write_text("")
    assert bundled.forms_folder() == package.parent / "extraction_forms"


def test_incomplete_installation(package: Path) -> None:
    with pytest.raises(UnreadableError, match="install metakit again"):
        bundled.demo_studies()
