"""Places of a page and where they fall on its picture."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metakit.papers.geometry import PageFrame

A4 = (0.0, 0.0, 595.0, 842.0)
ends = st.floats(0.0, 1.0)


def test_upper_left_corner_of_an_upright_page() -> None:
    frame = PageFrame(box=A4, rotation=0)
    assert frame.to_shown((0, 742, 59.5, 842)) == pytest.approx((0, 0, 0.1, 100 / 842))


def test_a_page_turned_by_a_quarter_shows_its_lower_left_corner_at_the_upper_left() -> None:
    # ISO 32000-2:2020, 7.7.3.3: /Rotate turns clockwise when shown.
    frame = PageFrame(box=A4, rotation=90)
    assert frame.shown_size == (842, 595)
    left, top, right, bottom = frame.to_shown((0, 0, 10, 10))
    assert (left, top) == (0, 0)
    assert (right, bottom) == pytest.approx((10 / 842, 10 / 595))


@given(
    st.sampled_from([0, 90, 180, 270]),
    st.tuples(ends, ends, ends, ends),
    st.tuples(st.floats(-500, 500), st.floats(-500, 500), st.floats(3, 3000), st.floats(3, 3000)),
)
def test_there_and_back(rotation: int, shown: tuple[float, ...], page: tuple[float, ...]) -> None:
    x, y, width, height = page
    frame = PageFrame(box=(x, y, x + width, y + height), rotation=rotation)
    a, b, c, d = shown
    wanted = (min(a, c), min(b, d), max(a, c), max(b, d))
    assert frame.to_shown(frame.from_shown(wanted)) == pytest.approx(wanted, abs=1e-9)
