"""The few things that a laid-out figure is made of. Points, origin at the top left, y downwards."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from metakit.plots import style

Align = Literal["left", "center", "right"]

CAPITAL = 0.365
"""Half the height of a capital in units of the type size (DejaVu Sans)."""
LEADING = 1.32
"""Height of a line of text in units of its size: room for accents and descenders."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of text; `y` is the middle of its capitals."""

    x: float
    y: float
    text: str
    size: float
    bold: bool = False
    colour: str = style.INK
    align: Align = "left"
    role: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """An open line through points; `dash` in points on and off."""

    points: tuple[tuple[float, float], ...]
    width: float = style.LINE
    colour: str = style.INK
    dash: tuple[float, ...] = ()
    order: float = 2
    role: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A filled polygon."""

    points: tuple[tuple[float, float], ...]
    face: str
    edge: str | None = None
    width: float = style.LINE
    order: float = 3
    role: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bubble:
    """A disc whose area in square points may carry a weight; hollow for a study outside the mean."""

    x: float
    y: float
    area: float
    hollow: bool = False
    edged: bool = False
    row: int = 0


@dataclass(slots=True, kw_only=True)
class Scene:
    """A figure ready to be drawn: its size in points and what is on it.

    `tiles` are shapes without edges that lie side by side, up to thousands; they are drawn in one go.
    `caption` holds the notes that go beside the figure instead of into it.
    """

    width: float
    height: float = 0.0
    lines: list[Line] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    shapes: list[Shape] = field(default_factory=list)
    bubbles: list[Bubble] = field(default_factory=list)
    tiles: list[Shape] = field(default_factory=list)
    caption: list[str] = field(default_factory=list)

    def paragraph(
        self,
        lines: tuple[str, ...],
        *,
        x: float,
        top: float,
        size: float,
        bold: bool = False,
        colour: str = style.INK,
        align: Align = "left",
        role: str = "",
        leading: float = LEADING,
    ) -> float:
        """Add lines of text from `top` downwards and return where the next thing may begin."""
        for i, text in enumerate(lines):
            if text:
                middle = top + (i + 0.5) * leading * size
                self.lines.append(
                    Line(
                        x=x, y=middle, text=text, size=size, bold=bold, colour=colour, align=align, role=role
                    )
                )
        return top + len(lines) * leading * size
