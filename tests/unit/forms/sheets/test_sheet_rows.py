"""Texts of cells at the bounds of what is taken."""

from __future__ import annotations

from metakit.forms.sheets.sheet_rows import LONGEST_CELL, text_problem


def test_the_longest_text_is_taken_and_one_more_is_not() -> None:
    assert text_problem("x" * LONGEST_CELL) == ""
    assert f"{LONGEST_CELL + 1:,} characters, at most {LONGEST_CELL:,}" in text_problem(
        "x" * (LONGEST_CELL + 1)
    )


def test_signs_that_no_text_holds() -> None:
    for text in ("plain", "two\nlines", "a\tb", "a\rb", "é ü 中", 5, None, 2.5):
        assert text_problem(text) == ""
    for text in ("a\x00b", "a\x1bb", "a\udce9b", "a\ue000b"):
        assert text_problem(text)
