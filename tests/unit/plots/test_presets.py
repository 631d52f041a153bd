"""Presets: width, resolution and smallest type as they come out in the files; read back by Pillow and from the files themselves."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image

from metakit.errors import UnknownNameError
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.plots.forests.forest import build_forest
from metakit.plots.look import Look, drawn_with
from metakit.plots.presets import PRESETS, Preset, chosen_size, targets
from metakit.plots.save import KINDS, figure_bytes

MM = 72 / 25.4


@pytest.fixture(scope="module")
def pooled():
    counts = {"events_1": [4, 6, 2], "total_1": [40, 52, 30], "events_2": [9, 8, 5], "total_2": [41, 50, 33]}
    table = effect_sizes(pd.DataFrame({"study": ["Ahlin", "Berg", "Carl"], **counts}), measure="risk_ratio")
    return pool(table), table


@pytest.mark.walk
@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_files_have_the_width_resolution_and_type_that_the_preset_names(preset: Preset, pooled) -> None:
    result, table = pooled
    with drawn_with(Look(smallest_type=preset.smallest_type)):
        (figure,) = build_forest(result, table, title="Any", width_mm=preset.width_mm).parts
        for kind in preset.kinds:
            assert kind in KINDS
            content = figure_bytes(figure, kind, dpi=preset.dpi)
            if preset.name == "single_column":
                assert content == figure_bytes(figure, kind, dpi=preset.dpi), "two runs differ"
            if kind in {".png", ".tif"}:
                with Image.open(io.BytesIO(content)) as picture:
                    dots = picture.info["dpi"][0]
                    assert dots == pytest.approx(preset.dpi, abs=0.1)
                    assert picture.size[0] / dots * 25.4 == pytest.approx(preset.width_mm, abs=0.1)
                    assert kind != ".tif" or (picture.mode, picture.info["compression"]) == (
                        "RGB",
                        "tiff_lzw",
                    )
            elif kind == ".pdf":
                box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", content)
                assert box and float(box[1]) == pytest.approx(preset.width_mm * MM, abs=0.2)
                assert b"/FontFile2" in content, "the font is not embedded as TrueType"
            else:
                width = re.search(r'width="([\d.]+)pt"', content.decode())
                assert width and float(width[1]) == pytest.approx(preset.width_mm * MM, abs=0.2)
                # written from a scene as an attribute, or by matplotlib as a style
                written = re.findall(
                    r"font-size=\"([\d.]+)\"|font(?:-size)?:[^;\"]*?([\d.]+)px", content.decode()
                )
                sizes = [float(attribute or style) for attribute, style in written]
                assert sizes and min(sizes) >= preset.smallest_type - 1e-6


# Publishers' pages on artwork: type of 7 pt or more at its final size (Elsevier), a widest figure of 7 inches (JBJS).
@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_presets_are_within_what_publishers_print(preset: Preset) -> None:
    assert preset.smallest_type >= 7
    assert 80 <= preset.width_mm <= 178
    assert 300 <= preset.dpi <= 1200
    assert preset.about and preset.source


def test_given_numbers_win_over_the_preset() -> None:
    assert chosen_size("single_column").width_mm == 85
    assert chosen_size("single_column", width_mm=90, dpi=1000).dpi == 1000
    assert chosen_size("").width_mm == 180
    with pytest.raises(UnknownNameError, match="single_column"):
        chosen_size("single_colum")


def test_every_kind_is_written_where_no_ending_is_given() -> None:
    assert [path.name for path in targets(Path("out/figure_1"), "single_column")] == [
        "figure_1.pdf",
        "figure_1.svg",
        "figure_1.tif",
    ]
    assert targets(Path("figure_1.png"), "single_column") == (Path("figure_1.png"),)
