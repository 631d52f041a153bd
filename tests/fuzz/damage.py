"""Ways to damage a file, drawn from a seed: the same seed damages the same file in the same way."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

NUMBERS = [
    "²", "3²", "12⁵", "₃", "①", "½", "７", "１２", "−4", "–4", "٣", "𝟛", "1,5", "1,234", "1.234,5", "1 234", "1\u00a0234", "1\u2009234",
    "1_000", "0x10", "1e3", "1E-3", "1e400", "1e-400", "012", "+5", " 5 ", "5.", ".5", "5..", "--5", "nan", "inf", "-Infinity", "1:30",
    "3/40", "12 (30%)", "12%", "<5", "≥5", "5±1", "5 kg", "9" * 30, "0.1" + "0" * 30 + "1", "1e15", "999999999999999", "-0", "no", "~",
    "5\u0301", "5\u200b", "\u202e21", "5\u0000", "true", "2024-05-31", "'5", '"5"', "=5", "＝5", "5*", "5†", "5a", "NA", "not_reported",
]  # fmt: skip
SNIPPETS = [
    b"[", b"]", b"{", b"}", b":", b": ", b"- ", b"\n", b"\t", b"'", b'"', b"#", b"&a ", b"*a", b"!x ", b",", b";", b"\n---\n", b"~",
    b"\xff", b"\x00", b"\xe2\x80\xae", b"\xef\xbb\xbf", b"\x1b[2J", b"\r", b"\r\n", b"%", b"|", b">", b"? ", b"<<: ", b"../", b"9" * 400,
    b"a" * 40_000, b"[" * 300, b"\n" * 50, b'{"a":' * 50, b"\xc3", b"\xed\xa0\x80", b"PK\x03\x04", b"null", b"1e999",
]  # fmt: skip


def number(content: bytes, draw: random.Random) -> bytes:
    """Put another text in the place of a number."""
    places = list(re.finditer(rb"(?<![\w.-])-?\d+(?:\.\d+)?(?![\w.-])", content))
    if not places:
        return content
    at = draw.choice(places)
    return content[: at.start()] + draw.choice(NUMBERS).encode() + content[at.end() :]


def beside_number(content: bytes, draw: random.Random) -> bytes:
    """Put a text directly before or behind a number."""
    places = list(re.finditer(rb"(?<![\w.-])-?\d+(?:\.\d+)?(?![\w.-])", content))
    if not places:
        return content
    at = draw.choice(places)
    place = draw.choice([at.start(), at.end()])
    return content[:place] + draw.choice(NUMBERS).encode() + content[place:]


def _cut(content: bytes, draw: random.Random) -> bytes:
    at = draw.randrange(len(content) + 1)
    return content[:at] + content[at + draw.randint(1, 60) :]


def _insert(content: bytes, draw: random.Random) -> bytes:
    at = draw.randrange(len(content) + 1)
    return content[:at] + draw.choice(SNIPPETS) + content[at:]


def _byte(content: bytes, draw: random.Random) -> bytes:
    at = draw.randrange(max(len(content), 1))
    return content[:at] + bytes([draw.randrange(256)]) + content[at + 1 :]


def _lines(content: bytes, draw: random.Random) -> bytes:
    lines = content.split(b"\n")
    one, other = draw.randrange(len(lines)), draw.randrange(len(lines))
    kind = draw.randrange(4)
    if kind == 0:
        del lines[one]
    elif kind == 1:
        lines.insert(other, lines[one])
    elif kind == 2:
        lines[one], lines[other] = lines[other], lines[one]
    else:
        lines[one] = b"  " + lines[one]
    return b"\n".join(lines)


def _end(content: bytes, draw: random.Random) -> bytes:
    return content[: draw.randrange(len(content) + 1)]


def _swap_values(content: bytes, draw: random.Random) -> bytes:
    words = list(re.finditer(rb"[^\s,:;{}\[\]\"']+", content))
    if len(words) < 2:
        return content
    one, other = sorted(draw.sample(range(len(words)), 2))
    a, b = words[one], words[other]
    return content[: a.start()] + b[0] + content[a.end() : b.start()] + a[0] + content[b.end() :]


WAYS: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    number, number, number, beside_number, _cut, _insert, _insert, _byte, _lines, _end, _swap_values,
)  # fmt: skip


def damaged(content: bytes, seed: int) -> bytes:
    """Return content damaged in one to three ways."""
    draw = random.Random(seed)
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        content = draw.choice(WAYS)(content, draw)
    return content
