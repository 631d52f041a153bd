"""Tests lie where a reader looks for them: `tests/unit/FOLDER/test_MODULE.py` holds `metakit/FOLDER/MODULE.py`."""

from __future__ import annotations

from pathlib import Path

UNIT = Path(__file__).parent
METAKIT = Path(__file__).resolve().parents[2] / "metakit"
OF_SEVERAL_MODULES = {  # this list only shrinks: a test of several modules' work together belongs elsewhere
    "decision/test_unit_extremes.py",
    "forms/test_self_contradictions.py",
    "plots/test_svg_fonts.py",
    "report/test_hostile_review.py",
    "synthesis/test_demo_findings.py",
    "test_mirrors_the_tree.py",
}


def test_each_test_file_mirrors_a_module() -> None:
    astray = set()
    for path in UNIT.rglob("test_*.py"):
        place = path.relative_to(UNIT)
        if not (METAKIT / place.with_name(place.name.removeprefix("test_"))).is_file():
            astray.add(place.as_posix())
    assert astray == OF_SEVERAL_MODULES
