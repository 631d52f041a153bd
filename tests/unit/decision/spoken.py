"""Words as they are spoken: numbers said out, abbreviations letter by letter, signs as words."""

from __future__ import annotations

import re

_UNITS = [
    *("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven"),
    *("twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
]
_TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
SPELLED = re.compile(r"\b(?:LRTI|MP|CMC|DIP)\b")
"""Abbreviations that are said letter by letter (DASH is said as a word)."""


def number(value: int) -> str:
    """Say a whole number.

    Examples
    --------
    >>> number(0), number(95), number(120), number(86900)
    ('zero', 'ninety five', 'one hundred and twenty', 'eighty six thousand nine hundred')
    """
    if value < 20:
        return _UNITS[value]
    if value < 100:
        return f"{_TENS[value // 10 - 2]} {_UNITS[value % 10] if value % 10 else ''}".strip()
    if value < 1000:
        rest = f" and {number(value % 100)}" if value % 100 else ""
        return f"{_UNITS[value // 100]} hundred{rest}"
    rest = f" {number(value % 1000)}" if value % 1000 else ""
    return f"{number(value // 1000)} thousand{rest}"


def spoken(text: str) -> list[str]:
    """Return the words of a text as somebody reads it aloud."""
    text = re.sub("(?<=\\d)[\u202f\u00a0 ,](?=\\d{3}\\b)", "", text)
    text = SPELLED.sub(lambda found: " ".join(found[0]), text).replace("−", " minus ").replace("+", " plus ")

    def said(found: re.Match[str]) -> str:
        whole, _, digits = found[0].partition(".")
        point = f" point {' '.join(_UNITS[int(digit)] for digit in digits)}" if digits else ""
        return f"{number(int(whole))}{point}"

    text = (
        re.sub(r"\d+(?:\.\d+)?", said, text)
        .replace("-", " ")
        .replace("%", " percent ")
        .replace("×", " times ")
    )
    return re.findall(r"[^\W_][\w'’]*", text)
