"""Text of users made drawable: cleaned, measured, wrapped, with a visible stand-in for missing glyphs."""

from __future__ import annotations

import math
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
    "[ -~\u00a0\u00b0-\u00b3\u00b7\u00b9\u00c0-\u017f"
    "\u2013\u2014\u2018-\u201d\u2026\u2191\u2193\u2212\u2264\u2265]+"
)
"""Latin letters, and signs that belong to whatever script stands around them."""
_LETTER = re.compile("[A-Za-z\u00c0-\u00d6\u00d8-\u00f6\u00f8-\u017f]")
_GREEK = re.compile("[\u0391-\u03a9\u03b1-\u03c9]")
_CLOSES = {")": "(", ">": "<", "]": "[", "}": "{", "\u2019": "\u2018", "\u201d": "\u201c"}
_OPENING = re.compile("[<[{\u2018\u201c]")
_TIGHT = re.compile("[^0-9][)]|[)][^ ]")
"""A bracket that closes beside what it could be drawn nearer to."""
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
    """Return what `drawn_units` does, as a sum of steps; None where it is no sum.

    In our font the pen moves by the letter (the ligature) and its neighbour, as long as a line holds one
    script; signs such as brackets belong to the script around them.
    """
    if not _PLAIN.fullmatch(text):
        runs = _runs(text)
        if runs is None:
            return None
        return sum(
            drawn_units(run, size, files) if greek else _sum_of_steps(run, size, files, letters=True)
            for greek, run in runs
        )
    first_letter = _LETTER.search(text)
    if first_letter and _opens_unsettled(text, first_letter.start()):
        return None
    return _sum_of_steps(text, size, files, letters=first_letter is not None)


def _runs(text: str) -> list[tuple[bool, str]] | None:
    """Cut a line of Latin and Greek into runs of one script, as drawing does; None where it is another line.

    Signs go with the letters before them, a closing bracket with those before its opening one. The first
    value tells that the run is Greek.
    """
    if not _LETTER.match(text) or not _PLAIN.fullmatch(_GREEK.sub("", text)):
        return None
    runs: list[tuple[bool, str]] = []
    greek, opened = False, list[tuple[str, bool]]()
    for character in text:
        letter = bool(_LETTER.match(character))
        if letter or _GREEK.match(character):
            greek = not letter
        elif character in _CLOSES:
            while opened and opened[-1][0] != _CLOSES[character]:
                opened.pop()
            greek = opened[-1][1] if opened else greek
        elif character in _CLOSES.values():
            opened.append((character, greek))
        if runs and runs[-1][0] == greek:
            runs[-1] = (greek, runs[-1][1] + character)
        else:
            runs.append((greek, character))
    alone = all(_GREEK.match(run) for greek, run in runs if greek)
    return runs if alone else None


def _sum_of_steps(text: str, size: float, files: tuple[str, ...], *, letters: bool) -> int:
    known, own = _steps(size, files, letters), _own_units(files[0])
    around = "H" if letters else ""
    total, before = 0, ""
    for part in _PARTS.findall(text):
        step = known.get((before, part))
        if step is None:
            if own.holds(before) and own.holds(part):
                step = own.step(before if letters else "", part, size)
            else:
                first = around + before if before else ""
                step = drawn_units(first + part, size, files)
                step -= drawn_units(first, size, files) if first else 0
            known[before, part] = step
        total += step
        before = part
    return total


def _opens_unsettled(text: str, letters_from: int) -> bool:
    """Whether a bracket that closes among letters was opened before them, in no script yet."""
    if _OPENING.search(text, 0, letters_from):
        return True
    return "(" in text[:letters_from] and _TIGHT.search(text, letters_from) is not None


@lru_cache(maxsize=256)
def _steps(size: float, files: tuple[str, ...], letters: bool) -> dict[tuple[str, str], int]:
    """Return the steps known so far, by what stands before and what they lead to."""
    return {}


class _Units:
    """Advances of a font's glyphs, and how much nearer neighbours stand, in units of the font."""

    def __init__(self, file: str) -> None:
        from matplotlib.font_manager import get_font

        self._font = get_font((file,))
        self._glyphs = self._font.get_charmap()
        self._advances: dict[str, int] = {}

    def holds(self, part: str) -> bool:
        """Whether this is nothing, or one character of this font that is drawn by itself."""
        return not part or (len(part) == 1 and ord(part) in self._glyphs)

    def step(self, before: str, character: str, size: float) -> int:
        """Return a step in 64ths of a quarter point; each of its parts is rounded, as in drawing."""
        from matplotlib.ft2font import Kerning

        step = self._scaled(self._advance(character), size)
        if before:
            left, right = (self._glyphs[ord(one)] for one in (before, character))
            step += self._scaled(self._font.get_kerning(left, right, Kerning.UNSCALED), size)
        return step

    def _scaled(self, units: int, size: float) -> int:
        # Sizes are cut to 64ths of a point before they become quarter points.
        return math.floor(units * 4 * int(64 * size) / self._font.units_per_EM + 0.5)

    def _advance(self, character: str) -> int:
        from matplotlib.ft2font import LoadFlags

        if character not in self._advances:
            per_quarter = self._font.units_per_EM / 256
            self._font.set_size(per_quarter, 288)  # a 64th of a quarter point is a unit of the font
            glyph = self._font.load_glyph(self._glyphs[ord(character)], flags=LoadFlags.NO_HINTING)
            self._advances[character] = round(glyph.linearHoriAdvance / 1024)
        return self._advances[character]


@lru_cache(maxsize=8)
def _own_units(file: str) -> _Units:
    return _Units(file)


@lru_cache(maxsize=4096)
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
    for sign in (" %", " = ", " < "):
        text = text.replace(sign, sign.replace(" ", "\u00a0"))
    words = text.split(" ")
    usual = widest / (0.55 * size)  # characters of a line, to begin looking at
    while words:
        if not words[0]:
            del words[0]
            continue
        many = _many_fitting(words, size, widest, width, bold, usual)
        if many == len(words):
            lines.append(" ".join(words))
            break
        if most is not None and len(lines) == most - 1:
            return (*lines, shorten(" ".join(words), size, widest, width, bold=bold))
        if many:
            lines.append(" ".join(words[:many]))
            usual = len(lines[-1])
            words = words[many:]
            continue
        fits = _fitting(words[0], size, widest, width, bold)
        lines.append(words[0][:fits] if words[0][fits - 1] in BREAKS_AFTER else f"{words[0][:fits]}-")
        words[0] = words[0][fits:]
    return tuple(line for line in lines if line) or ("",)


def _many_fitting(
    words: list[str], size: float, widest: float, width: TextWidth, bold: bool, usual: float
) -> int:
    """Return how many of the words fit into a line, found from about `usual` characters by halving."""

    def fits(many: int) -> bool:
        return width(" ".join(words[:many]), size, bold) <= widest

    least, most, length = 0, len(words) + 1, -1  # `least` words fit, `most` do not
    guess = len(words)
    for number, word in enumerate(words, 1):
        length += len(word) + 1
        if length > usual:
            guess = max(number - 1, 1)
            break
    step = 1
    while most - least > 1:
        if fits(guess):
            least = guess
            guess = min(guess + step, (least + most) // 2 if most <= len(words) else len(words))
        else:
            most = guess
            guess = max(guess - step, (least + most) // 2 if least else 1)
        step *= 2
        guess = min(max(guess, least + 1), most - 1)
    return least


def _fitting(word: str, size: float, widest: float, width: TextWidth, bold: bool) -> int:
    """Return how many characters of a word fit, at least one; up to its last slash or hyphen if any."""

    def fitting(end: str) -> int:
        sizes = range(len(word), -1, -1)
        return max(next(n for n in sizes if n <= 1 or width(word[:n] + end, size, bold) <= widest), 1)

    whole = fitting("")
    mark = max(word.rfind(sign, 2, whole) for sign in BREAKS_AFTER) + 1
    return mark or fitting("-")
