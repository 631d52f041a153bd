from __future__ import annotations

import re
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from metakit.errors import UsageError
from metakit.plots.forests.forest import forest_figure
from metakit.plots.save import KINDS, check_target, figure_bytes, save_figure
from tests.unit.plots.samples import forests

KIND_STARTS = {".svg": b"<?xml", ".pdf": b"%PDF", ".png": b"\x89PNG", ".tif": b"II*\x00", ".tiff": b"II*\x00"}


@pytest.mark.walk
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_written_and_written_alike(kind: str, tmp_path: Path) -> None:
    content = forests()["two"]
    first = save_figure(forest_figure(content), tmp_path / f"a{kind}", dpi=100)
    second = save_figure(forest_figure(content), tmp_path / f"b{kind.upper()}", dpi=100)
    assert first.read_bytes().startswith(KIND_STARTS[kind])
    assert first.read_bytes() == second.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"a{kind}", f"b{kind.upper()}"]


@pytest.mark.lengthy
def test_saving_twice_changes_nothing(tmp_path: Path) -> None:
    figure = forest_figure(forests()["two"])
    for kind in (".png", ".svg", ".pdf"):
        assert figure_bytes(figure, kind, dpi=80) == figure_bytes(figure, kind, dpi=80)


@pytest.mark.slow
def test_another_process_writes_the_same_bytes(tmp_path: Path) -> None:
    code = (
        "import sys, hashlib\nfrom tests.unit.plots.samples import forests\nfrom metakit.plots.forests.forest import "
        "forest_figure\nfrom metakit.plots.save import figure_bytes, KINDS\n"
        "print([hashlib.sha256(figure_bytes(forest_figure(forests()['two']), k)).hexdigest() for k in KINDS])"
    )
    runs = {
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    }
    assert len(runs) == 1


@pytest.mark.parametrize("kind", [".png", ".tif"])
@pytest.mark.parametrize("dpi", [100, 300])
def test_raster_files_carry_their_resolution_and_size(kind: str, dpi: int) -> None:
    figure = forest_figure(forests()["two"], width_mm=90)
    with Image.open(BytesIO(figure_bytes(figure, kind, dpi=dpi))) as picture:
        assert picture.info["dpi"][0] == pytest.approx(dpi, rel=0.01)
        assert picture.width == pytest.approx(90 / 25.4 * dpi, abs=1)


def test_pdf_fonts_are_embedded_as_truetype_and_carry_no_date() -> None:
    data = figure_bytes(forest_figure(forests()["two"]), ".pdf")
    assert b"/FontFile2" in data
    assert b"/Type3" not in data
    assert b"CreationDate" not in data


def test_an_older_file_survives_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "figure.png"
    target.write_bytes(b"old")
    figure = forest_figure(forests()["two"])

    def broken(*_: object, **__: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(figure, "savefig", broken)
    with pytest.raises(OSError, match="no space"):
        save_figure(figure, target)
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("name", ["figure.gif", "figure", "figure.jpg", "figure.svgz"])
def test_an_unknown_ending_is_named_with_what_is_allowed(name: str) -> None:
    with pytest.raises(UsageError, match=re.escape(".svg, .pdf, .png")):
        check_target(Path(name))


def test_a_folder_is_no_target(tmp_path: Path) -> None:
    folder = tmp_path / "x.png"
    folder.mkdir()
    with pytest.raises(UsageError, match="folder"):
        check_target(folder)


@pytest.mark.parametrize("dpi", [0, 10, 5000])
def test_senseless_resolutions_are_refused(dpi: int) -> None:
    with pytest.raises(UsageError, match="50 to 1200"):
        figure_bytes(forest_figure(forests()["one"]), ".png", dpi=dpi)
