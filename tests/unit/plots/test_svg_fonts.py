"""The embedded font does not depend on the short way to it: the same bytes as straight from the whole font."""

from __future__ import annotations

import io

import pytest
from fontTools.ttLib import TTFont
from matplotlib.font_manager import FontProperties, findfont

from metakit.plots import svg
from metakit.plots.style import FONT


@pytest.mark.parametrize("weight", ["normal", "bold"])
@pytest.mark.parametrize("text", ["Study 0.46 (0.15 to 1.36)", "Müller τ² −1 ● 95 % ≤", "Łódź 2019", "f"])
def test_short_way_gives_the_same_bytes(weight: str, text: str) -> None:
    characters = "".join(sorted(set(text)))
    assert set(characters) <= svg._COMMON
    whole = findfont(FontProperties(family=FONT, weight=weight))
    assert svg._font(weight, characters) == svg._glyphs_of(whole, characters, flavor="woff")


def test_rare_letters_come_from_the_whole_font() -> None:
    characters = "".join(sorted("שלום"))
    assert not set(characters) <= svg._COMMON
    with TTFont(io.BytesIO(svg._subset("normal", characters))) as font:
        assert {ord(letter) for letter in characters} <= set(font.getBestCmap())
