"""Looks: greys, line art, another font, larger type, a caption beside the figure, sheets of a fixed shape."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from metakit.errors import UnknownNameError
from metakit.plots.forests.forest import forest_figure
from metakit.plots.look import Look, current, drawn_with, toned
from metakit.plots.pages import in_pages
from metakit.plots.presets import PRESETS, chosen_look
from metakit.plots.save import caption_text, figure_bytes
from metakit.plots.text import text_width
from tests.unit.plots.looking import faults, smallest_type, words
from tests.unit.plots.samples import one_group


def picture(look: Look, dpi: int = 100) -> tuple[np.ndarray, Image.Image]:
    with drawn_with(look):
        figure = forest_figure(one_group(5))
    found = Image.open(BytesIO(figure_bytes(figure, ".tif", dpi=dpi)))
    return np.asarray(found.convert("RGB")).astype(int), found


@pytest.mark.lengthy
def test_grey_has_no_colour_and_keeps_lightness_apart() -> None:
    points, _ = picture(Look(tone="grey"))
    assert np.ptp(points, axis=2).max() <= 1
    greys = {toned(colour, "grey") for colour in ("#56b4e9", "#00507d", "#d55e00", "#f4c3a0", "#ffffff")}
    assert len(greys) == 5


@pytest.mark.lengthy
def test_line_art_is_black_or_white_one_bit_a_point() -> None:
    points, found = picture(Look(tone="line_art"), dpi=300)
    assert found.mode == "1"
    assert set(np.unique(points)) == {0, 255}
    assert PRESETS["line_art"].dpi == 1200 and PRESETS["line_art"].tone == "line_art"
    with drawn_with(Look(tone="line_art")):
        said = " ".join(words(forest_figure(one_group(5))))
    assert "shaded band" not in said


def test_a_caption_stands_beside_the_figure() -> None:
    content = one_group(5)
    with drawn_with(Look(caption=True)):
        figure = forest_figure(content)
    said, told = " ".join(words(figure)), caption_text([figure])
    assert content.title not in said and "Bubble: estimate" not in said
    assert told.startswith(content.title) and "Bubble: estimate" in told and content.footnotes[0] in told
    assert "Spread of the true effects" in said  # the heterogeneity belongs to the picture
    assert caption_text([forest_figure(content)]) == ""


@pytest.mark.lengthy
def test_type_is_never_below_what_was_asked_for() -> None:
    for name in PRESETS.names():
        with drawn_with(chosen_look(name)):
            figure = forest_figure(one_group(40), width_mm=PRESETS[name].width_mm)
        assert smallest_type(figure) >= PRESETS[name].smallest_type - 1e-9, name
        assert not faults(figure), name
    assert PRESETS["single_column_8_point"].smallest_type == 8


def test_another_font_is_measured_and_drawn() -> None:
    usual = text_width("Random-effects mean", 8)
    with drawn_with(Look(font="DejaVu Serif")):
        assert text_width("Random-effects mean", 8) != usual
        figure = forest_figure(one_group(5))
    assert not faults(figure)
    assert b"DejaVuSerif" in figure_bytes(figure, ".pdf")
    assert current() == Look()
    with pytest.raises(UnknownNameError, match="Ariel"):
        chosen_look("", font="Ariel of Nowhere")


def test_a_slide_lies_across_and_a_long_forest_goes_on_on_the_next() -> None:
    size = PRESETS["slide"]
    assert size.height_mm is not None
    with drawn_with(chosen_look("slide")):
        parts = in_pages(one_group(40), width_mm=size.width_mm, page_height_mm=size.height_mm)
        figures = [forest_figure(part, width_mm=size.width_mm) for part in parts]
    assert len(figures) > 1
    for figure in figures:
        width, height = figure.get_size_inches()
        assert width / height == pytest.approx(16 / 9, rel=2e-3)
        assert width * 25.4 == pytest.approx(size.width_mm, rel=1e-6)
        assert not faults(figure)
