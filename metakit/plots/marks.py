"""The marks of a forest plot: bubble and line, diamond, bracketed prediction interval, arrows. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from metakit.plots import style
from metakit.plots.scale import AxisPlan, Interval
from metakit.plots.scene import Bubble, Scene, Shape, Stroke

ARROW = 4.5
"""Length of an arrow head in points."""
STUB = 6.0
"""Length of the line of an interval that lies wholly beyond the axis."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """Where the picture part lies: its ends in points and the axis between them."""

    left: float
    right: float
    axis: AxisPlan

    def x(self, value: float) -> float:
        """Return where a natural value falls, held within the ends."""
        return self.left + min(max(self.axis.place(value), 0.0), 1.0) * (self.right - self.left)


def arrow_head(scene: Scene, x: float, y: float, colour: str, *, right: bool, role: str) -> None:
    """Add an arrow head whose tip is at x."""
    back = x - ARROW if right else x + ARROW
    scene.shapes.append(
        Shape(points=((x, y), (back, y - 2.4), (back, y + 2.4)), face=colour, order=5, role=role)
    )


def span(
    scene: Scene, panel: Panel, low: float, high: float, y: float, colour: str, role: str
) -> tuple[float, float]:
    """Add arrow heads where an interval leaves the axis; return the drawn ends, never less than a stub."""
    left, right = panel.x(low), panel.x(high)
    beyond_left, beyond_right = high < panel.axis.low, low > panel.axis.high
    if low < panel.axis.low:
        arrow_head(scene, panel.left, y, colour, right=False, role=f"{role}-arrow-left")
        left = panel.left + ARROW - 1
        right = left + STUB if beyond_left else max(right, left + 1)
    if high > panel.axis.high:
        arrow_head(scene, panel.right, y, colour, right=True, role=f"{role}-arrow-right")
        right = panel.right - ARROW + 1
        left = right - STUB if beyond_right else min(left, right - 1)
    return left, right


def study_mark(
    scene: Scene, panel: Panel, interval: Interval, *, y: float, row: int, area: float, hollow: bool
) -> None:
    """Add a study: a bubble for its weight, a line for its interval, a short upright at its estimate.

    Every end that the axis cuts off is an arrow head; an estimate beyond the axis has no bubble, and its
    numbers stand in the row.
    """
    estimate, lower, upper = interval
    role = f"study-{row}"
    left, right_end = span(scene, panel, lower, upper, y, style.STUDY_LINE, role)
    scene.strokes.append(
        Stroke(points=((left, y), (right_end, y)), colour=style.STUDY_LINE, order=4, role=f"{role}-interval")
    )
    if not panel.axis.holds(estimate):
        return
    scene.bubbles.append(Bubble(x=panel.x(estimate), y=y, area=area, hollow=hollow, row=row))
    middle = panel.x(estimate)
    scene.strokes.append(
        Stroke(
            points=((middle, y - 2), (middle, y + 2)), width=style.HEAVY, colour=style.STUDY_LINE, order=4.5,
            role=f"{role}-estimate",
        )
    )  # fmt: skip


def limit_mark(
    scene: Scene, panel: Panel, side: Literal["lower", "upper"], value: float, *, y: float, row: int
) -> None:
    """Add a study without an estimate: a line from its limit to the end of the axis, an arrow head there."""
    role, at = f"study-{row}", panel.x(value)
    right = side == "lower"
    end = panel.right if right else panel.left
    if abs(at - end) < STUB:  # beyond the axis, where its ends are set by hand
        at = end - STUB if right else end + STUB
    where = "right" if right else "left"
    arrow_head(scene, end, y, style.STUDY_LINE, right=right, role=f"{role}-arrow-{where}")
    begun = end - ARROW + 1 if right else end + ARROW - 1
    scene.strokes.append(
        Stroke(points=((begun, y), (at, y)), colour=style.STUDY_LINE, order=4, role=f"{role}-interval")
    )
    scene.strokes.append(
        Stroke(
            points=((at, y - 2), (at, y + 2)), width=style.HEAVY, colour=style.STUDY_LINE, order=4.5,
            role=f"{role}-limit",
        )
    )  # fmt: skip


def mean_mark(scene: Scene, panel: Panel, interval: Interval, *, y: float, role: str, overall: bool) -> None:
    """Add a mean: a diamond whose ends are the limits, cut and arrowed where they leave the axis."""
    estimate, lower, upper = interval
    face = style.MEAN if overall else style.MEAN_PALE
    half = 4.2 if overall else 3.6
    left, right = span(scene, panel, lower, upper, y, style.MEAN, role)
    if not panel.axis.holds(estimate):  # only where the ends of the axis are set by hand
        scene.strokes.append(
            Stroke(
                points=((left, y), (right, y)), width=2 * style.HEAVY, colour=style.MEAN, order=4, role=role
            )
        )
        return
    top = panel.x(estimate)
    cut = {"left": lower < panel.axis.low, "right": upper > panel.axis.high}

    def side(end: float, limit: float, is_cut: bool) -> list[tuple[float, float]]:
        if not is_cut:
            return [(end, y)]
        reach, full = abs(end - top), _full_reach(panel, estimate, limit)
        height = half * (1 - reach / full) if math.isfinite(full) and full > 0 else half
        return [(end, y + height), (end, y - height)]

    left_side, right_side = side(left, lower, cut["left"]), side(right, upper, cut["right"])
    points = [*left_side, (top, y - half), *reversed(right_side), (top, y + half)]
    scene.shapes.append(
        Shape(points=tuple(points), face=face, edge=style.MEAN, width=style.LINE, order=4, role=role)
    )


def _full_reach(panel: Panel, estimate: float, limit: float) -> float:
    """Return the length in points from an estimate to its limit, were the axis endless."""
    return abs(panel.axis.place(limit) - panel.axis.place(estimate)) * (panel.right - panel.left)


def prediction_mark(scene: Scene, panel: Panel, low: float, high: float, *, y: float, role: str) -> None:
    """Add a prediction interval: a dashed line between square brackets, open where it leaves the axis."""
    left, right = span(scene, panel, low, high, y, style.MEAN, role)
    scene.strokes.append(
        Stroke(points=((left, y), (right, y)), colour=style.MEAN, dash=(3, 1.6), order=4, role=role)
    )  # fmt: skip
    for end, inward, inside in ((left, 2.2, low >= panel.axis.low), (right, -2.2, high <= panel.axis.high)):
        if inside:
            bracket = ((end + inward, y - 3), (end, y - 3), (end, y + 3), (end + inward, y + 3))
            scene.strokes.append(
                Stroke(points=bracket, width=style.HEAVY, colour=style.MEAN, order=4, role=f"{role}-bracket")
            )
