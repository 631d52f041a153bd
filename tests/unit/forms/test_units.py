"""Exact conversions. Source: international pound 0.45359237 kg (1959 agreement), standard gravity 9.80665 m/s2
(CGPM 1901), both exact by definition; 1 lbf = 4.4482216152605 N follows from them (NIST SP 811, from memory)."""

from __future__ import annotations

import itertools

import pytest

from metakit.forms.library import vocabulary
from metakit.forms.units import conversion

UNITS = vocabulary("units").terms


def convert(value: float, start: str, end: str) -> float:
    found = conversion(start, end, UNITS)
    assert found is not None
    return found(value)


@pytest.mark.parametrize(
    ("value", "start", "end", "expected"),
    [
        (1, "lb", "kg", 0.45359237),
        (9.80665, "N", "kg", 1),
        (1, "kgf", "N", 9.80665),
        (1, "lb", "N", 4.4482216152605),
        (1, "kgf", "kg", 1),
        (35, "mm", "cm", 3.5),
        (64, "points_0_100", "points_0_10", 6.4),
        (2.5, "years", "months", 30),
        (52.17857142857143, "weeks", "months", 12),
        (365.25, "days", "years", 1),
        (0.8, "bar", "kPa", 80),
        (2, "hours", "minutes", 120),
    ],
)
def test_exact_factors(value: float, start: str, end: str, expected: float) -> None:
    assert convert(value, start, end) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("start", "end"),
    [("kPa", "kg"), ("bar", "N"), ("points", "points_0_10"), ("degrees", "mm"), ("lb", "nothing")],
)
def test_different_things_do_not_convert(start: str, end: str) -> None:
    assert conversion(start, end, UNITS) is None


@pytest.mark.parametrize(
    ("start", "end"), [pair for pair in itertools.permutations(UNITS, 2) if conversion(*pair, UNITS)]
)
def test_there_and_back(start: str, end: str) -> None:
    assert convert(convert(7.3, start, end), end, start) == pytest.approx(7.3, rel=1e-15)


def test_the_description_shows_the_arithmetic() -> None:
    assert str(conversion("lb", "kg", UNITS)) == "lb x 0.45359237 = kg"
    assert str(conversion("N", "kg", UNITS)) == "N / 9.80665 = kg"
    assert str(conversion("kgf", "kg", UNITS)) == "kgf = kg"
