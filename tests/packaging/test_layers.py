"""The layers of pyproject.toml hold: imports point down only."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    command = [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def test_imports_point_down_only() -> None:
    done = lint(ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_folder_has_a_docstring_that_says_its_job() -> None:
    for init in (ROOT / "metakit").rglob("__init__.py"):
        assert init.read_text(encoding="utf-8").lstrip().startswith('"""'), init


def test_top_level_holds_only_what_was_agreed() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout (an unpacked source archive)")
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "metakit",
        "extraction_forms",
        "tests",
        "demo_studies",
        "LICENSE",
    }
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert not {name for name in top if not name.startswith(".")} - agreed


def test_kernels_take_nothing_of_scipy_but_special_functions() -> None:
    for module in (ROOT / "metakit" / "numerics").rglob("*.py"):
        for line in module.read_text(encoding="utf-8").splitlines():
            if line.lstrip().startswith(("import scipy", "from scipy")):
                assert line.strip() in ("from scipy import special",), f"{module.name}: {line}"
