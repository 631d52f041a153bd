"""Typed texts as a reader may see them: without characters that are no text or that disguise it."""

from __future__ import annotations

# Control characters are no text; those that turn the reading direction could make a name read as another.
# Halves of pairs and the two last places of the plane belong to no file of XML, so to no Word document.
_NOT_SHOWN = dict.fromkeys(
    [
        *range(0x09),
        0x0B,
        0x0C,
        *range(0x0E, 0x20),
        *range(0x7F, 0xA0),
        *range(0x202A, 0x202F),
        *range(0x2066, 0x206A),
        *range(0xD800, 0xE000),
        0xFFFE,
        0xFFFF,
    ]
)


def shown_text(text: str) -> str:
    """Return a typed text without control characters."""
    return text.translate(_NOT_SHOWN)
