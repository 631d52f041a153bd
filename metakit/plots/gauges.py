"""The gauge of a judgement: a bar that grows with the concern, from a stub to the full track. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.plots import style
from metakit.plots.scene import Scene, Shape, Stroke

BAR = 5.5
"""Height of a bar in points."""
STUB = 0.08
"""Length of the bar of the best level: to be seen, and next to nothing."""
THINNEST = 1.0
"""Thinnest bar in points, so that the stub of the best level is seen in the narrowest column."""


def fill_of(place: int, levels: Sequence[str]) -> float:
    """Return the length of the bar of a level, a fraction, by its place from best to worst."""
    return max(place / max(len(levels) - 1, 1), STUB)


def draw_gauge(
    scene: Scene,
    place: tuple[float, float],
    fill: float | None,
    top: float,
    colour: str,
    role: str,
    *,
    asked: bool = True,
) -> None:
    """Draw a track with a bar in it, a dashed track when not known (no fill), a dash when not asked."""
    left, right = place
    if not asked:
        middle, y = (left + right) / 2, top + BAR / 2
        scene.strokes.append(
            Stroke(points=((middle - 3, y), (middle + 3, y)), colour=style.QUIET, role=f"{role}-dash")
        )
        return
    corners = ((left, top), (right, top), (right, top + BAR), (left, top + BAR))
    if fill is None:
        scene.strokes.append(
            Stroke(
                points=(*corners, corners[0]), width=style.LINE, colour=style.QUIET, dash=(2, 1.6),
                role=f"{role}-not-known",
            )
        )  # fmt: skip
        return
    scene.shapes.append(
        Shape(
            points=corners, face=style.PAPER, edge=style.QUIET, width=style.THIN, order=2,
            role=f"{role}-track",
        )
    )  # fmt: skip
    end = left + max(fill * (right - left), THINNEST if fill > 0 else 0.0)
    scene.shapes.append(
        Shape(
            points=((left, top), (end, top), (end, top + BAR), (left, top + BAR)), face=colour, order=3,
            role=f"{role}-bar",
        )
    )  # fmt: skip
