"""What all tests share: the reference (tests/reference) made importable, and one report of the demo review."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from filelock import FileLock

sys.path.insert(0, str(Path(__file__).resolve().parent / "reference"))

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def demo_report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the demo review's report, written once for all workers of a run; only to be read."""
    from metakit.workbench import open_review

    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base) / "demo_report"
    with FileLock(f"{folder}.lock"):
        if not (folder / "report.html").exists():  # the page is written last
            open_review(ROOT / "demo_studies").synthesise().write_report(folder)
    return folder
