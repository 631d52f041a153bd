"""Nothing grows out of sight: no module over 350 lines, no folder of more than 25 modules."""

from __future__ import annotations

from pathlib import Path

METAKIT = Path(__file__).resolve().parents[2] / "metakit"
MOST_LINES, MOST_MODULES = 350, 25


def test_no_module_is_long() -> None:
    long = {
        path.relative_to(METAKIT).as_posix(): lines
        for path in METAKIT.rglob("*.py")
        if (lines := path.read_text(encoding="utf-8").count("\n")) > MOST_LINES
    }
    assert long == {}


def test_no_folder_is_full() -> None:
    folders = {path.parent for path in METAKIT.rglob("*.py")}
    full = {folder.name: len(list(folder.glob("*.py"))) for folder in folders}
    assert {name: number for name, number in full.items() if number > MOST_MODULES} == {}
