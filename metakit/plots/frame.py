"""A picture part with two axes: where a pair of values falls, and what stands at its left edge. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.written import Axis
from metakit.plots import style
from metakit.plots.forests.columns import MARGIN
from metakit.plots.look import current
from metakit.plots.marks import Panel
from metakit.plots.scale import AxisPlan, choose_ticks, plan_axis
from metakit.plots.scene import LEADING, Scene, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A laid-out picture part: the scene, the panel with its horizontal axis, and the vertical axis."""

    scene: Scene
    panel: Panel
    top: float
    bottom: float
    vertical: AxisPlan
    downwards: bool = False

    def x(self, value: float) -> float:
        """Return where a value of the horizontal axis falls, held within the ends."""
        return self.panel.x(value)

    def y(self, value: float) -> float:
        """Return the height of a value of the vertical axis, held within the ends."""
        place = min(max(self.vertical.place(value), 0.0), 1.0)
        return self.top + (place if self.downwards else 1 - place) * (self.bottom - self.top)


def start_scene(title: str, *, width_mm: float, measure: TextWidth) -> tuple[Scene, style.Type, float]:
    """Return an empty scene with its title, its type sizes, and where the next thing may begin."""
    type_ = style.type_for(style.check_width(width_mm))
    scene = Scene(width=width_mm * style.MM)
    top = MARGIN
    if title and not current().caption:
        lines = wrap(clean_text(title), type_.title, scene.width - 2 * MARGIN, measure, bold=True)
        top = scene.paragraph(lines, x=MARGIN, top=top, size=type_.title, bold=True, role="title") + 5
    return scene, type_, top


def add_caption(scene: Scene, text: str, top: float, type_: style.Type, measure: TextWidth) -> float:
    """Add the name of the vertical axis above it, in level type; return where the picture may begin."""
    lines = wrap(clean_text(text), type_.small, scene.width - 2 * MARGIN, measure)
    return scene.paragraph(lines, x=MARGIN, top=top, size=type_.small, role="axis-name") + 3


def vertical_axis(
    kind: Axis, values: Sequence[float], *, null: float | None, length: float, type_: style.Type
) -> AxisPlan:
    """Choose a vertical axis that shows all these values and the value of no difference."""
    return plan_axis(
        kind,
        studies=[],
        means=[(value, value, value) for value in values],
        null=null,
        label_width=lambda _: LEADING * type_.small,
        width=length,
    )


def with_vertical_ticks(plan: AxisPlan, length: float, type_: style.Type) -> AxisPlan:
    """Return the same vertical axis with ticks as dense as its labels allow."""
    ticks = choose_ticks(plan, label_width=lambda _: LEADING * type_.small, width=length, most=8)
    return AxisPlan(kind=plan.kind, low=plan.low, high=plan.high, ticks=ticks)


def gutter(plan: AxisPlan, type_: style.Type, measure: TextWidth) -> float:
    """Return the room in points that the labels of a vertical axis need."""
    return max((measure(label, type_.small, False) for _, label in plan.ticks), default=0.0) + 7


def add_vertical_axis(frame: Frame, type_: style.Type) -> None:
    """Add the vertical axis at the left edge of the picture part, with its ticks."""
    scene, left = frame.scene, frame.panel.left
    scene.strokes.append(Stroke(points=((left, frame.top), (left, frame.bottom)), role="axis"))
    for value, label in frame.vertical.ticks:
        y = frame.y(value)
        scene.strokes.append(Stroke(points=((left - 3, y), (left, y)), role="tick"))
        half = LEADING * type_.small / 2
        scene.paragraph(
            (label,), x=left - 5, top=y - half, size=type_.small, align="right", role="tick-label"
        )
