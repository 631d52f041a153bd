"""Names beside points so that none covers another, a point, or the edge. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.plots import style
from metakit.plots.scene import LEADING, Scene, Stroke
from metakit.plots.text import TextWidth, clean_text, shorten

Box = tuple[float, float, float, float]
"""Left, top, right, bottom in points."""

WIDEST = 96.0
"""A longer name is cut; whoever needs it whole finds it in the table beside the figure."""
_DIRECTIONS = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))
_DISTANCES = (0.0, 7.0, 15.0, 26.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A point with the name it should carry."""

    x: float
    y: float
    radius: float
    name: str


def add_names(
    scene: Scene,
    wanted: Sequence[Named],
    *,
    others: Sequence[Named] = (),
    keep_clear: Sequence[Box] = (),
    bounds: Box,
    size: float,
    measure: TextWidth,
) -> tuple[str, ...]:
    """Name points, the first ones first; return the names for which no place was left.

    Parameters
    ----------
    wanted : sequence of Named
        Points to be named, the most important first.
    others : sequence of Named
        Further points, to be kept clear.
    keep_clear : sequence of boxes
        What else no name may cover.
    bounds : box
        Where names may stand.
    """
    points = [
        (item.x - 0.8 * item.radius, item.y - 0.8 * item.radius,
         item.x + 0.8 * item.radius, item.y + 0.8 * item.radius)
        for item in (*wanted, *others)
    ]  # fmt: skip
    taken: list[Box] = [*points, *keep_clear]
    left_out = []
    for item in wanted:
        text = shorten(clean_text(item.name), size, WIDEST, measure)
        if not text:
            continue
        place = _place(item, measure(text, size, False), LEADING * size, taken, bounds)
        if place is None:
            left_out.append(item.name)
            continue
        box, far = place
        taken.append(box)
        if far:
            scene.strokes.append(_leader(item, box))
        scene.paragraph((text,), x=box[0], top=box[1], size=size, role="point-name")
    return tuple(left_out)


def _place(
    item: Named, wide: float, high: float, taken: Sequence[Box], bounds: Box
) -> tuple[Box, bool] | None:
    for distance in _DISTANCES:
        reach = item.radius + 2.0 + distance
        for across, down in _DIRECTIONS:
            diagonal = 0.75 if across and down else 1.0
            x, y = item.x + across * reach * diagonal, item.y + down * reach * diagonal
            left = x if across > 0 else x - wide if across < 0 else x - wide / 2
            top = y - high / 2 if not down else y if down > 0 else y - high
            box = (left, top, left + wide, top + high)
            inside = (
                box[0] >= bounds[0] and box[1] >= bounds[1] and box[2] <= bounds[2] and box[3] <= bounds[3]
            )
            if inside and not any(_touch(box, other) for other in taken):
                return box, distance > 0
    return None


def _touch(one: Box, two: Box) -> bool:
    return one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]


def _leader(item: Named, box: Box) -> Stroke:
    end = (min(max(item.x, box[0]), box[2]), min(max(item.y, box[1] + 2), box[3] - 2))
    return Stroke(
        points=((item.x, item.y), end), width=style.THIN, colour=style.QUIET, order=2.6, role="leader"
    )
