"""The embedded font does not depend on the short way to it: the same bytes as straight from the whole font.

The short way leaves out how letters of other scripts and accents of their own are put together; no common character
is one.
"""

from __future__ import annotations

import io
import unicodedata

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
    assert svg._font(weight, characters) == svg._glyphs_of(whole, characters, flavor="woff", joined=False)
    straight = svg._glyphs_of(whole, characters, flavor="woff")
    with TTFont(io.BytesIO(svg._font(weight, characters))) as short, TTFont(io.BytesIO(straight)) as full:
        assert set(full.keys()) - set(short.keys()) <= {"GDEF", "GPOS", "GSUB"}
        for glyph in full.getGlyphOrder():
            assert short["glyf"][glyph] == full["glyf"][glyph]
            assert short["hmtx"][glyph] == full["hmtx"][glyph]


def test_no_common_character_is_put_together_with_another() -> None:
    """Source: Unicode's general category and canonical combining class (unicodedata)."""
    for character in svg._COMMON:
        assert unicodedata.combining(character) == 0
        assert unicodedata.category(character)[0] != "M"
        assert unicodedata.bidirectional(character) not in ("R", "AL", "NSM")


def test_rare_letters_come_from_the_whole_font() -> None:
    characters = "".join(sorted("שלום"))
    assert not set(characters) <= svg._COMMON
    with TTFont(io.BytesIO(svg._subset("normal", characters))) as font:
        assert {ord(letter) for letter in characters} <= set(font.getBestCmap())
