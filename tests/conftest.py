"""What all tests share: the reference (tests/reference) made importable, and the demo review carried out once."""

from __future__ import annotations

import os
import pickle
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from filelock import FileLock

if TYPE_CHECKING:
    from metakit.synthesis.findings import Findings

OFTEN, EVERY = 2, 12
"""Of a grid of cases, the default set runs the first two and then every twelfth."""
CARRIED_OUT = {"demo_findings", "demo_report", "demo_already_synthesised"}

if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
    # Two processes and hundreds of commands would each compile every module again: keep it (git ignores it).
    sys.dont_write_bytecode = False
sys.path.insert(0, str(Path(__file__).resolve().parent / "reference"))

ROOT = Path(__file__).resolve().parents[1]


def _shared_base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.getbasetemp()
    return base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base


@pytest.fixture(scope="session")
def demo_findings(tmp_path_factory: pytest.TempPathFactory) -> Findings:
    """Return what the demo review found, computed once for all workers of a run; only to be read."""
    from metakit.review.folder import open_folder
    from metakit.synthesis.run import synthesise

    stored = _shared_base(tmp_path_factory) / "demo_findings.pickle"
    with FileLock(f"{stored}.lock"):
        if not stored.exists():
            stored.write_bytes(pickle.dumps(synthesise(open_folder(ROOT / "demo_studies"))))
    found: Findings = pickle.loads(stored.read_bytes())  # noqa: S301 - written above, by this run
    return found


@pytest.fixture(scope="session")
def demo_report(tmp_path_factory: pytest.TempPathFactory, demo_findings: Findings) -> Path:
    """Return the folder of the demo review's report, written once for all workers of a run; only to be read."""
    from metakit.workbench import ReviewFindings

    folder = _shared_base(tmp_path_factory) / "demo_report"
    with FileLock(f"{folder}.lock"):
        if not (folder / "report.html").exists():  # the page is written last
            ReviewFindings(demo_findings, ROOT / "demo_studies").write_report(folder, word=True)
    return folder


@pytest.fixture
def demo_already_synthesised(demo_findings: Findings, monkeypatch: pytest.MonkeyPatch) -> None:
    """Give the shared findings to whatever carries out the demo review; any other file is computed anew."""
    import metakit.synthesis.run as run

    real = run.synthesise

    def known_or_real(folder: Any, **options: Any) -> Findings:
        same = folder.path == ROOT / "demo_studies" and dict(folder.inputs) == dict(demo_findings.inputs)
        return demo_findings if same else real(folder, **options)

    monkeypatch.setattr(run, "synthesise", known_or_real)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Sort tests into sets: browsers, the whole review, what is lengthy and most of a grid walk; the rest is quick."""
    seen: dict[str, int] = {}
    for item in items:
        if item.get_closest_marker("grid"):
            place = item.nodeid.partition("[")[0]
            number = seen[place] = seen.get(place, -1) + 1
            if number >= OFTEN and number % EVERY:
                item.add_marker("walk")
        asked = set(getattr(item, "fixturenames", ()))
        far = ROOT / "tests" / "browser" in item.path.parents or CARRIED_OUT & asked
        if (far or item.get_closest_marker("lengthy")) and not item.get_closest_marker("slow"):
            item.add_marker("walk")
        long = any(item.get_closest_marker(name) for name in ("slow", "walk", "grid", "lengthy"))
        if not long:
            item.add_marker("quick")
