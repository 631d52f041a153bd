"""Greek and Cyrillic letters that look like Latin ones are those when names are compared.

Source: Unicode Technical Standard 39, confusables.txt (pairs below from memory); names and scripts of the letters
from Python's unicodedata.
"""

from __future__ import annotations

import unicodedata

import pytest

from metakit.forms.sheets.look_alikes import _BY_CAPITAL, _SHAPES, in_latin
from metakit.measures.twins import folded


@pytest.mark.parametrize(
    "name",
    [
        "\u0405m\u0456th 2001",
        "Sm\u0456th 2001",
        "S\u043cith 2001",
        "Sm\u03b9th 2001",
        "\u0405M\u0406\u0422\u041d 2001",
    ],
)
def test_a_name_with_foreign_letters_is_that_of_the_latin_ones(name: str) -> None:
    assert folded(name) == folded("Smith 2001") and name != "Smith 2001"


def test_every_letter_is_greek_or_cyrillic_and_its_case_does_not_matter() -> None:
    for code, look in _SHAPES.items():
        latin = chr(look)
        assert unicodedata.name(chr(code)).startswith(("GREEK", "CYRILLIC")) and latin.isascii()
        assert latin.isupper() == chr(code).isupper()
    for code in _BY_CAPITAL:
        assert folded(chr(code).upper()) == folded(chr(code).lower()), unicodedata.name(chr(code))


def test_other_names_stay_others() -> None:
    assert folded("Иванов") != folded("Петров") and folded("Иванов") == folded("ИВАНОВ")
    assert folded("Νίνα") == folded("ΝΙΝΑ") and folded("No\u03bdak") == folded("Novak")
    assert folded("Serie β") != folded("Serie B") and in_latin("Muñoz") == "Muñoz"
