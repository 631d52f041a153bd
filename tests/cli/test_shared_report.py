"""A report whose work is shared has the very bytes of one that is not: files, page, Word, journal sizes."""

from __future__ import annotations

import shutil
from importlib.util import find_spec
from pathlib import Path

import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from tests.short_plan import with_only

DEMO = Path(__file__).resolve().parents[2] / "demo_studies"


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the invented review with two of its analyses."""
    folder = tmp_path_factory.mktemp("shared") / "review"
    shutil.copytree(DEMO, folder)
    (folder / "certainty.yaml").unlink()  # it judges analyses that are left out here
    protocol = folder / "protocol.yaml"
    text = with_only(protocol.read_text(), ["complications_lrti", "pinch_lrti"])
    protocol.write_text("\n".join(line for line in text.splitlines() if "plan_hash" not in line) + "\n")
    return folder


def written(review: Path, out: Path, *options: str) -> dict[str, bytes]:
    assert run(app, ["report", str(review), "--out", str(out), *options]) == 0
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


@pytest.mark.walk
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
@pytest.mark.parametrize(
    "way",
    [
        ("--workers", "2"),
        pytest.param(
            ("--scheduler", "local", "--workers", "2"),
            marks=pytest.mark.skipif(
                find_spec("distributed") is None, reason="the extra 'cluster' is not installed"
            ),
        ),
    ],
)
def test_shared_work_gives_the_same_bytes(review: Path, tmp_path: Path, way: tuple[str, ...]) -> None:
    more = ("--word", "--figures", "single_column")
    alone = written(review, tmp_path / "alone", *more)
    shared = written(review, tmp_path / "shared", *more, *way)
    assert len(alone) > 20 and any(name.endswith(".docx") for name in alone)
    assert shared.keys() == alone.keys()
    assert [name for name in alone if alone[name] != shared[name]] == []


def test_no_worker_and_no_scheduler_are_refused_before_anything_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(app, ["report", str(tmp_path / "nowhere"), "--workers", "0"]) == 2
    assert "at least 1 is needed" in capsys.readouterr().err
