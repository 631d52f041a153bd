from __future__ import annotations

from metakit.plots.text import STAND_IN, clean_text, shorten, text_width, wrap


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
