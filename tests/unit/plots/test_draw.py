"""Whole figures drawn and read back: nothing cut, nothing overlapping, nothing too small, nothing leaking."""

from __future__ import annotations

import itertools
import os
import threading

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure

from metakit.plots.forests.forest import forest_figure
from metakit.plots.forests.funnel import funnel_figure
from metakit.plots.forests.overview import overview_figure
from tests.unit.plots.looking import faults, smallest_type, texts, words
from tests.unit.plots.samples import forests, funnels, overviews

WIDTHS = (85.0, 180.0)
ALL = [("forest", name) for name in forests()]
ALL += [("funnel", name) for name in funnels()]
ALL += [("overview", name) for name in overviews()]


def drawn(kind: str, name: str, width_mm: float) -> Figure:
    if kind == "forest":
        return forest_figure(forests()[name], width_mm=width_mm)
    if kind == "funnel":
        return funnel_figure(funnels()[name], width_mm=width_mm)
    return overview_figure(overviews()[name], width_mm=width_mm)


@pytest.mark.grid
@pytest.mark.parametrize("width_mm", WIDTHS)
@pytest.mark.parametrize(("kind", "name"), ALL)
def test_nothing_is_cut_and_nothing_overlaps(kind: str, name: str, width_mm: float) -> None:
    figure = drawn(kind, name, width_mm)
    assert faults(figure) == []
    assert smallest_type(figure) >= 7
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width_mm)


@pytest.mark.grid
@pytest.mark.parametrize(
    ("kind", "name"), [("forest", "two_groups"), ("funnel", "contours"), ("overview", "mixed")]
)
@pytest.mark.parametrize("width_mm", [80.0, 110.0, 127.0, 140.0, 400.0])
def test_other_widths_hold_too(kind: str, name: str, width_mm: float) -> None:
    assert faults(drawn(kind, name, width_mm)) == []


def test_the_check_sees_overlap_and_cut_text() -> None:
    figure = drawn("forest", "one", 180)
    figure.axes[0].text(20, 40, "on top of the heading")
    figure.axes[0].text(480, 60, "out of the figure on the right")
    found = faults(figure)
    assert any(fault.startswith("over:") for fault in found)
    assert any(fault.startswith("cut:") for fault in found)


@pytest.mark.walk
@pytest.mark.parametrize("kind", ["forest", "funnel", "overview"])
def test_type_is_eight_points_in_two_column_figures(kind: str) -> None:
    name = {"forest": "differences", "funnel": "contours", "overview": "mixed"}[kind]
    assert smallest_type(drawn(kind, name, 180)) >= 8


@pytest.mark.lengthy
def test_names_are_text_and_nothing_else() -> None:
    shown = words(drawn("forest", "nasty_names", 400))
    assert "US$5 vs US$6 $\\frac{a}$" in shown
    assert "<script>alert(1)</script>" in shown
    assert "evil txt.exe name" in shown
    assert not any(item.get_parse_math() for item, _ in texts(drawn("forest", "nasty_names", 180)))
    assert "Score ($x$ & <b>)" in words(drawn("overview", "mixed", 180))


@pytest.mark.lengthy
def test_a_figure_does_not_follow_the_users_settings_nor_change_them() -> None:
    with matplotlib.rc_context(
        {"font.size": 30, "text.usetex": False, "axes.facecolor": "black", "lines.linewidth": 9}
    ):
        before = dict(matplotlib.rcParams)
        errors = np.geterr()
        changed = [drawn(kind, name, 180) for kind, name in (("forest", "two"), ("overview", "mixed"))]
        from metakit.plots.save import figure_bytes

        pictures = [figure_bytes(figure, ".png", dpi=60) for figure in changed]
        assert dict(matplotlib.rcParams) == before
        assert np.geterr() == errors
    plain = [drawn(kind, name, 180) for kind, name in (("forest", "two"), ("overview", "mixed"))]
    assert pictures == [figure_bytes(figure, ".png", dpi=60) for figure in plain]


def test_pyplot_knows_nothing_of_our_figures() -> None:
    from matplotlib import pyplot

    before = pyplot.get_fignums()
    drawn("forest", "two", 180)
    drawn("overview", "mixed", 180)
    assert pyplot.get_fignums() == before


def test_a_figure_can_be_drawn_off_the_main_thread() -> None:
    failures: list[BaseException] = []

    def work() -> None:
        try:
            drawn("overview", "mixed", 180)
        except BaseException as error:
            failures.append(error)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert failures == []
    assert os.environ.get("MPLBACKEND", "agg").lower() in {"agg", matplotlib.get_backend().lower()}


def test_greyscale_keeps_marks_apart() -> None:
    """Luma (ITU-R BT.601) of what is told apart by tone differs by at least 15 of 255 (target, no source)."""
    from matplotlib.colors import to_rgb

    from metakit.plots import style
    from metakit.plots.forests.funnel_layout import CONTOURS

    def luma(colour: str) -> float:
        return 255 * float(np.dot(to_rgb(colour), (0.299, 0.587, 0.114)))

    assert luma(style.STUDY) - luma(style.STUDY_LINE) >= 60
    assert luma(style.MEAN_PALE) - luma(style.MEAN) >= 60
    assert luma(style.PAPER) - luma(style.BAND) >= 12
    assert luma(style.BAND) - luma(style.STUDY) >= 60
    shades = [luma(shade) for _, shade in CONTOURS] + [luma(style.PAPER)]
    assert all(b - a >= 10 for a, b in itertools.pairwise(shades))
