from __future__ import annotations

import itertools
import random

from metakit.plots.style import families
from metakit.plots.text import (
    STAND_IN,
    _font_files,
    added_up,
    clean_text,
    drawn_units,
    shorten,
    text_width,
    wrap,
)


def by_count(text: str, size: float, bold: bool) -> float:
    return float(len(text))


def test_controls_and_direction_marks_go_and_line_breaks_become_blanks() -> None:
    assert clean_text("evil \u202etxt.exe\x00\n name\u200b") == "evil txt.exe name"


def test_a_character_without_a_glyph_stays_visible() -> None:
    assert clean_text("x\U000f0000y") == f"x{STAND_IN}y"
    assert clean_text("Größe α ≥ 1 دراسة") == "Größe α ≥ 1 دراسة"


def test_mathematics_and_markup_are_only_text() -> None:
    assert clean_text("US$5 vs US$6 <b> $\\frac{1}$") == "US$5 vs US$6 <b> $\\frac{1}$"


def test_lines_break_between_words_and_keep_every_word() -> None:
    lines = wrap("one two three four five", 8, 9, by_count)
    assert lines == ("one two", "three", "four five")


def test_long_words_are_broken_after_a_slash_if_they_have_one() -> None:
    assert wrap("events/thumbs", 8, 8, by_count) == ("events/", "thumbs")
    assert wrap("abcdefghij", 8, 4, by_count) == ("abc-", "def-", "ghij")


def test_what_does_not_fit_ends_in_an_ellipsis() -> None:
    lines = wrap("one two three four five six", 8, 9, by_count, most=2)
    assert lines == ("one two", "three fo…")
    assert shorten("abcdef", 8, 4, by_count) == "abc…"
    assert wrap("", 8, 9, by_count) == ("",)


def test_a_percent_sign_stays_with_its_number() -> None:
    assert all(not line.startswith("%") for line in wrap("mean 95 % interval", 8, 8, by_count))


def test_bold_is_wider_and_width_grows_with_size() -> None:
    assert (
        0 < text_width("Mean of 7", 8) < text_width("Mean of 7", 8, True) < text_width("Mean of 7", 12, True)
    )
    assert text_width("", 8) == 0


def test_widths_that_are_added_up_are_those_that_are_drawn() -> None:
    # Brackets and quotes before the first letter, ligatures, and pairs that stand closer (AV) among them.
    chance = random.Random(20261130)
    signs = "fffilllll    ()aeiou.,-“”’–%0123456789VATWyÄőß=[<"
    asked = ["0.88 (0.48 to 1.62)", "office AVATAR (fluffy) 4“f”", "τ² 0.04", "(“v”"]
    asked += [
        "Spread (τ) on: 0.22 (I², from τ²): 33 %",
        "a τ: spread",
        "surgeon’s (τ) x",
        "a (τ (b) c) d ↑ e",
    ]
    asked += ["".join(chance.choices(signs, k=chance.randint(1, 60))) for _ in range(50)]
    asked += ["A" + "".join(chance.choices(f"{signs}ττ²()", k=chance.randint(1, 30))) for _ in range(30)]
    added = 0
    for bold in (False, True):
        files = _font_files(families(), bold)
        for text in asked:
            found = added_up(text, 7.3, files)
            assert found in (None, drawn_units(text, 7.3, files)), text
            added += found is not None
    assert added > 120


def test_a_line_holds_as_many_words_as_fit() -> None:
    chance = random.Random(20261130)
    for _ in range(100):
        words = ["x" * chance.randint(1, 9) for _ in range(chance.randint(1, 30))]
        widest = chance.randint(9, 40)
        lines = wrap(" ".join(words), 1.0, widest, by_count)
        assert " ".join(lines).split() == words
        assert max(map(len, lines)) <= widest
        for line, following in itertools.pairwise(lines):
            assert len(line) + 1 + len(following.split()[0]) > widest
