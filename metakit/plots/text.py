"""Text of users made drawable: cleaned, measured, wrapped, with a visible stand-in for missing glyphs."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from functools import lru_cache

from metakit.core.nouns import nouns
from metakit.plots.style import FONT, families

STAND_IN = "□"
"""Drawn for a character that no font at hand has."""


BREAKS_AFTER = "/-–_"
"""Characters after which a long word may go on in the next line as it stands."""

_PLAIN = re.compile(
    "[ -~\u00a0\u00b0-\u00b3\u00b7\u00c0-\u017f\u2013\u2014\u2018-\u201d\u2026\u2212\u2264\u2265]+"
)
"""Latin letters, and signs that belong to whatever script stands around them."""
_LETTER = re.compile("[A-Za-z\u00c0-\u00d6\u00d8-\u00f6\u00f8-\u017f]")
_OPENING = re.compile("[(<[{\u2018\u201c]")
_PARTS = re.compile("f+[il]?|.", re.DOTALL)
"""Letters, and those that may be drawn as one."""

TextWidth = Callable[[str, float, bool], float]
"""Width in points of one line of text, given its size in points and whether it is bold."""


@lru_cache(maxsize=8)
def _drawable(fonts: tuple[str, ...]) -> frozenset[int]:
    from matplotlib import font_manager

    codes: set[int] = set()
    for family in fonts:
        codes |= set(font_manager.get_font(font_manager.findfont(family)).get_charmap())
    return frozenset(codes)


def clean_text(text: str) -> str:
    """Return one line that can be drawn as it stands.

    Line breaks and runs of blanks become one blank. Control and formatting characters go, since those
    that turn the reading direction could make a name read as another. A character without a glyph becomes
    `STAND_IN`, never nothing.
    """
    return _cleaned(text, families())


@lru_cache(maxsize=4096)
def _cleaned(text: str, fonts: tuple[str, ...]) -> str:
    kept = []
    for character in unicodedata.normalize("NFC", nouns().said(text)):
        kind = unicodedata.category(character)
        if kind in {"Cc", "Zl", "Zp", "Zs"}:
            kept.append(" ")
        elif kind in {"Cf", "Cs"} or 0xFE00 <= ord(character) <= 0xFE0F:
            continue
        else:
            kept.append(character if ord(character) in _drawable(fonts) else STAND_IN)
    return " ".join("".join(kept).split())


@lru_cache(maxsize=16)
def _font_files(fonts: tuple[str, ...], bold: bool) -> tuple[str, ...]:
    from matplotlib.font_manager import FontProperties, findfont

    weight = "bold" if bold else "normal"
    return tuple(findfont(FontProperties(family=family, weight=weight)) for family in fonts)


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Return the width of one line in points, with 1 % to spare for rounding at other resolutions."""
    return _width(text, size, bold, families())


@lru_cache(maxsize=16384)
def _width(text: str, size: float, bold: bool, fonts: tuple[str, ...]) -> float:
    if not text:
        return 0.0
    files = _font_files(fonts, bold)
    added = added_up(text, size, files) if fonts[0] == FONT else None
    return 1.01 * float(drawn_units(text, size, files) if added is None else added) / 64 / 4


def added_up(text: str, size: float, files: tuple[str, ...]) -> int | None:
    """Return what `drawn_units` does, as a sum of steps each of which is drawn once; None where it is no sum.

    In our font the pen moves by the letter (the ligature) and its neighbour, as long as a line holds one
    script; signs such as brackets belong to the script around them.
    """
    if not _PLAIN.fullmatch(text):
        return None
    first_letter = _LETTER.search(text)
    letters = first_letter is not None
    if first_letter and _OPENING.search(text, 0, first_letter.start()):
        return None  # a bracket closes in the script that it was opened in, which is none yet
    known = _steps(size, files, letters)
    around = "H" if letters else ""
    total, before = 0, ""
    for part in _PARTS.findall(text):
        step = known.get((before, part))
        if step is None:
            first = around + before if before else ""
            step = drawn_units(first + part, size, files) - (drawn_units(first, size, files) if first else 0)
            known[before, part] = step
        total += step
        before = part
    return total


@lru_cache(maxsize=256)
def _steps(size: float, files: tuple[str, ...], letters: bool) -> dict[tuple[str, str], int]:
    """Return the steps known so far, by what stands before and what they lead to."""
    return {}


def drawn_units(text: str, size: float, files: tuple[str, ...]) -> int:
    """Return how far the pen moves along a line, in 64ths of a quarter point; each glyph is loaded for it."""
    from matplotlib.font_manager import get_font
    from matplotlib.ft2font import LoadFlags

    font = get_font(files)
    font.set_size(size, 288)
    font.set_text(text, 0.0, flags=LoadFlags.NO_HINTING)
    return int(font.get_width_height()[0])


def shorten(text: str, size: float, widest: float, width: TextWidth, *, bold: bool = False) -> str:
    """Cut a line to a width; the cut is shown by an ellipsis."""
    if width(text, size, bold) <= widest:
        return text
    fits, fails = 0, len(text)
    while fails - fits > 1:
        middle = (fits + fails) // 2
        if width(text[:middle].rstrip() + "…", size, bold) <= widest:
            fits = middle
        else:
            fails = middle
    return text[:fits].rstrip() + "…"


def wrap(
    text: str, size: float, widest: float, width: TextWidth, *, bold: bool = False, most: int | None = None
) -> tuple[str, ...]:
    """Break text into lines no wider than `widest` points, at most `most` of them.

    Lines break between words; a word that is too long alone is broken, after a slash or hyphen where it has
    one, else with a hyphen. Text beyond the last line is cut with an ellipsis.
    """
    widest += 0.01  # a column as wide as its widest word must hold that word
    lines: list[str] = []
    line = ""
    for sign in (" %", " = ", " < "):
        text = text.replace(sign, sign.replace(" ", "\u00a0"))
    words = text.split(" ")
    while words:
        word = words.pop(0)
        candidate = f"{line} {word}" if line else word
        if width(candidate, size, bold) <= widest:
            line = candidate
            continue
        if most is not None and len(lines) == most - 1:
            rest = " ".join([candidate, *words])
            return (*lines, shorten(rest, size, widest, width, bold=bold))
        if line:
            lines.append(line)
            line = ""
            words.insert(0, word)
            continue
        fits = _fitting(word, size, widest, width, bold)
        lines.append(word[:fits] if word[fits - 1] in BREAKS_AFTER else f"{word[:fits]}-")
        words.insert(0, word[fits:])
    if line:
        lines.append(line)
    return tuple(lines) or ("",)


def _fitting(word: str, size: float, widest: float, width: TextWidth, bold: bool) -> int:
    """Return how many characters of a word fit, at least one; up to its last slash or hyphen if any."""

    def fitting(end: str) -> int:
        sizes = range(len(word), -1, -1)
        return max(next(n for n in sizes if n <= 1 or width(word[:n] + end, size, bold) <= widest), 1)

    whole = fitting("")
    mark = max(word.rfind(sign, 2, whole) for sign in BREAKS_AFTER) + 1
    return mark or fitting("-")
