"""What figures are drawn with where somebody asks for other than the usual: tone, font, type, caption."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Literal

Tone = Literal["colour", "grey", "line_art"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A way to draw.

    Parameters
    ----------
    tone : {"colour", "grey", "line_art"}
        Grey keeps the lightness of each colour; line art is black on white alone.
    font : str
        Family that comes before our own; "" for our own.
    smallest_type : float
        No type is smaller, in points; 0 for the usual.
    caption : bool
        Title, legend and notes go into a caption beside the figure instead of into it.
    canvas_mm : (float, float) or None
        Width and height of the sheet that the figure stands on, where it has to be of that shape.
    """

    tone: Tone = "colour"
    font: str = ""
    smallest_type: float = 0.0
    caption: bool = False
    canvas_mm: tuple[float, float] | None = None


USUAL = Look()
_CURRENT: ContextVar[Look] = ContextVar("look", default=USUAL)


def current() -> Look:
    """Return the look that figures are laid out and drawn with now."""
    return _CURRENT.get()


@contextmanager
def drawn_with(look: Look) -> Iterator[Look]:
    """Lay out and draw with a look, then go back to the one before."""
    token = _CURRENT.set(look)
    try:
        yield look
    finally:
        _CURRENT.reset(token)


def toned(colour: str, tone: Tone, *, line: bool = False) -> str:
    """Return a colour (#rrggbb) in a tone; in line art every line is black and a pale fill is white.

    Grey is the luma of ITU-R BT.601, as printers compute it.

    Examples
    --------
    >>> toned("#56b4e9", "grey"), toned("#56b4e9", "line_art"), toned("#56b4e9", "line_art", line=True)
    ('#9e9e9e', '#ffffff', '#000000')
    """
    if tone == "colour":
        return colour
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    grey = round(0.299 * red + 0.587 * green + 0.114 * blue)
    if tone == "line_art":
        grey = 0 if line or grey < _DARK else 255
    return f"#{grey:02x}{grey:02x}{grey:02x}"


_DARK = 150
