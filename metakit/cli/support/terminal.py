"""What reaches a terminal: text alone. Control characters of files could move its cursor or run its commands.

Source: CWE-150 (improper neutralisation of escape sequences).
"""

from __future__ import annotations

from typing import Any, TextIO

from metakit.core.nouns import nouns

_SHOWN = {
    code: f"\\x{code:02x}" for code in (*range(0x20), *range(0x7F, 0xA0)) if code not in (0x09, 0x0A)
} | {
    code: f"\\u{code:04x}"
    for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A), *range(0xD800, 0xE000))
}


def plain(text: str) -> str:
    """Return a text with its control characters, and those that turn its direction, spelt out."""
    return text if text.isascii() and text.isprintable() else text.translate(_SHOWN)


class PlainStream:
    """A text stream that spells control characters out; everything else is that of the stream `beneath`."""

    def __init__(self, beneath: TextIO) -> None:
        self.beneath = beneath

    def write(self, text: str) -> int:
        """Write a text without control characters."""
        self.beneath.write(plain(nouns().said(text)))
        return len(text)

    def writelines(self, lines: Any) -> None:
        """Write several texts."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.beneath, name)
