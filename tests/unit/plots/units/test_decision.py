"""Figures of a unit's page: everything on the figure, nothing over anything, whatever the names and numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.plots.save import KINDS, figure_bytes
from metakit.plots.svg import figure_svg
from metakit.plots.units.decision import (
    DriverContent,
    DriverRow,
    ExpectedContent,
    ExpectedRow,
    TradeContent,
    TradePoint,
    driver_figure,
    driver_text,
    expected_figure,
    expected_text,
    trade_figure,
    trade_text,
)
from tests.unit.plots.looking import faults, smallest_type, words

HOSTILE = (
    "<script>alert(1)</script>",
    "$\\frac{a}{b}$ for US$5",
    "\u202egnol\u202c שלום مرحبا",
    "👍🏽 thumb",
    "A technique whose name never comes to its end " * 3,
    "x" * 120,
)


def expected(name: str = "LRTI", *, low: float = 0, value: float = 2.4, high: float = 42) -> ExpectedContent:
    rows = (
        ExpectedRow(name="trapeziectomy alone", events=(7.3, 2, 16), words="7.3 (2 to 16)", current=True),
        ExpectedRow(
            name=name, events=(value, low, high), words=f"{value:g} ({low:g} to {high:g})", current=False
        ),
    )
    groups = (("Revision of the index operation, within 5 years", rows), (name, rows))
    return ExpectedContent(title=f"Expected events: {name}", axis_name="Thumbs with the event", groups=groups)


def drivers(name: str = "LRTI", difference: float = -30.0) -> DriverContent:
    rows = (
        DriverRow(name="Revision: effect", limits="rate ratio 0.02 to 6.3", at_low=-52, at_high=334),
        DriverRow(name=name, limits="5 to 20", at_low=-5, at_high=-79),
        DriverRow(name="Thumbs a year", limits=name, at_low=-40, at_high=-35),
        DriverRow(name="DASH: weight", limits="0.025 to 0.1", at_low=difference, at_high=difference),
    )
    return DriverContent(
        title=f"What drives it: {name}", axis_name="Difference in the weighted sum", difference=difference,
        rows=rows, left_words=f"in favour of {name}", right_words="in favour of trapeziectomy alone",
    )  # fmt: skip


def trade(name: str = "LRTI") -> TradeContent:
    points = (
        TradePoint(name="trapeziectomy alone", across=(6.1, 2.9, 11), up=(0, 0, 0), current=True),
        TradePoint(name=name, across=(2.0, 0.1, 35), up=(-0.2, -21.8, 21.4)),
        TradePoint(name="prosthesis", across=(20, 1.8, 94), up=(-4.5, -12.6, 3.6)),
        TradePoint(name="the same as LRTI", across=(2.0, 0.1, 35), up=(-0.2, -21.8, 21.4)),
    )
    return TradeContent(
        title=f"Two outcomes: {name}", across_name="Revision per 100 thumbs", up_name=name,
        better="Better lies below and to the left.", points=points,
    )  # fmt: skip


DRAWN = {
    "expected": lambda name, width: expected_figure(expected(name), width_mm=width),
    "drivers": lambda name, width: driver_figure(drivers(name), width_mm=width),
    "trade": lambda name, width: trade_figure(trade(name), width_mm=width),
}


@pytest.mark.grid
@pytest.mark.parametrize("name", ["LRTI", *HOSTILE])
@pytest.mark.parametrize("width", [85, 180])
@pytest.mark.parametrize("kind", DRAWN)
def test_nothing_is_cut_or_covered(kind: str, width: float, name: str) -> None:
    figure = DRAWN[kind](name, width)
    assert faults(figure) == []
    assert smallest_type(figure) >= (8 if width >= 110 else 7)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width)


@pytest.mark.parametrize("kind", DRAWN)
def test_markup_in_a_name_stays_text(kind: str) -> None:
    svg = figure_svg(DRAWN[kind]("<script>alert(1)</script>", 180), "words")
    assert "<script" not in svg
    assert "&lt;script" in svg


@pytest.mark.walk
@pytest.mark.parametrize("ending", KINDS)
def test_every_kind_of_file_repeats_its_bytes(ending: str) -> None:
    one, two = (figure_bytes(driver_figure(drivers()), ending, dpi=60) for _ in range(2))
    assert one == two


def test_words_stand_for_each_figure() -> None:
    assert "LRTI 2.4 (0 to 42)" in expected_text(expected())
    text = driver_text(drivers())
    assert "−30" in text and "rate ratio 0.02 to 6.3" in text and "in favour of LRTI" in text
    assert "LRTI: 2.0 (0.1 to 35.0) and -0.2" in trade_text(trade())


def test_points_are_numbered_and_named_above() -> None:
    said = words(trade_figure(trade()))
    assert {"1 trapeziectomy alone", "2 LRTI", "3 prosthesis"} <= set(said)
    assert {"1", "2", "3", "4"} <= set(said)


@pytest.mark.parametrize(
    ("low", "value", "high"), [(0, 0, 0), (0, 0.01, 1), (119, 120, 120), (0, 5000, 20000)]
)
def test_extreme_counts_are_drawn(low: float, value: float, high: float) -> None:
    for width in (85, 180):
        assert faults(expected_figure(expected(low=low, value=value, high=high), width_mm=width)) == []


@pytest.mark.parametrize("difference", [0.0, 1e-9, -1e6])
def test_extreme_differences_are_drawn(difference: float) -> None:
    assert faults(driver_figure(drivers(difference=difference))) == []
    flat = replace(
        drivers(), rows=(DriverRow(name="a", limits="1 to 2", at_low=0.0, at_high=0.0),), difference=0.0
    )
    assert faults(driver_figure(flat)) == []
