"""A funnel plot laid out: effect across, standard error downwards or study size upwards. Pure."""

from __future__ import annotations

from itertools import pairwise
from statistics import NormalDist

import numpy as np

from metakit.plots import style
from metakit.plots.footing import add_axis, add_directions, add_notes, axis_name
from metakit.plots.forests.columns import MARGIN
from metakit.plots.forests.content import FunnelContent
from metakit.plots.frame import (
    Frame,
    add_caption,
    add_vertical_axis,
    gutter,
    start_scene,
    with_vertical_ticks,
)
from metakit.plots.marks import Panel
from metakit.plots.scale import AxisPlan, Interval, plan_axis
from metakit.plots.scene import LEADING, Bubble, Scene, Shape, Stroke
from metakit.plots.text import TextWidth

CONTOURS = ((0.10, "#d9dde0"), (0.05, "#e6e9eb"), (0.01, "#f2f4f5"))
"""p values that part the regions, and the shade of the region above each."""

STEPS = 48
"""Points along a limit; a curve where the natural scale bends it."""


def lay_out_funnel(content: FunnelContent, *, width_mm: float, measure: TextWidth) -> Frame:
    """Lay out a funnel plot at its final size; its panel is about five units wide to three high."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    width = scene.width
    by_error = content.vertical == "standard_error"
    caption = "Standard error" if by_error else f"Size of the study ({content.size_heading})"
    if by_error and content.scale.name not in {"identity", "raw"}:
        caption += f" ({content.scale.name.replace('_', ' ')} scale)"
    top = add_caption(scene, caption, top, type_, measure)
    bottom = top + min(0.5 * width, 110 * style.MM)
    vertical = _vertical_axis(content, bottom - top, type_)
    left, right = MARGIN + gutter(vertical, type_, measure), width - MARGIN - 10
    panel = Panel(
        left=left, right=right, axis=_horizontal_axis(content, vertical, right - left, type_, measure)
    )
    layout = Frame(scene=scene, panel=panel, top=top, bottom=bottom, vertical=vertical, downwards=by_error)
    add_vertical_axis(layout, type_)
    if content.contours and content.null is not None:
        _add_contours(layout, content, content.null)
    _add_centre(layout, content)
    for number, point in enumerate(content.points):
        height = point.standard_error if by_error else point.size
        place = panel.x(_natural(content, point.effect))
        scene.bubbles.append(Bubble(x=place, y=layout.y(height or 0.0), area=26.0, edged=True, row=number))
    _add_expected(layout, content)
    null = None if content.null is None else _natural(content, content.null)
    name = axis_name(content.effect_heading, content.unit, content.scale.axis)
    below = add_axis(scene, panel, null=null, name=name, top=top, bottom=bottom, type_=type_, measure=measure)
    below = add_directions(
        scene, panel, null=null, left_words=content.left_words, right_words=content.right_words, top=below,
        type_=type_, measure=measure,
    )  # fmt: skip
    if content.contours:
        below = _add_contour_key(scene, below + 6, type_, measure)
    scene.height = MARGIN + add_notes(scene, _notes(content), top=below, type_=type_, measure=measure)
    return layout


def _natural(content: FunnelContent, value: float) -> float:
    return float(content.scale.to_natural(np.asarray(value))) * content.factor


def _vertical_axis(content: FunnelContent, length: float, type_: style.Type) -> AxisPlan:
    if content.vertical == "standard_error":
        shown = (*content.points, *content.added)
        largest = max((point.standard_error or 0.0 for point in shown), default=1.0)
        plan = AxisPlan(kind="linear", low=0.0, high=1.06 * largest)
    else:
        sizes = [point.size or 1.0 for point in content.points] or [1.0, 10.0]
        pad = max(max(sizes) / min(sizes), 2.0) ** 0.06
        plan = AxisPlan(kind="log", low=min(sizes) / pad, high=max(sizes) * pad)
    return with_vertical_ticks(plan, length, type_)


def _horizontal_axis(
    content: FunnelContent, vertical: AxisPlan, width: float, type_: style.Type, measure: TextWidth
) -> AxisPlan:
    """Choose the axis so that every study and, at the bottom, most of the funnel is on it."""
    effects = [_natural(content, point.effect) for point in (*content.points, *content.added)]
    shown: list[Interval] = [(effect, effect, effect) for effect in effects]
    if content.centre is not None:
        centre = _natural(content, content.centre)
        shown.append((centre, centre, centre))
        if content.vertical == "standard_error":
            half = NormalDist().inv_cdf((1 + content.level) / 2) * vertical.high
            low, high = (_natural(content, content.centre + sign * half) for sign in (-1, 1))
            if content.scale.axis != "log" or (low > 0 and high / low < 1e4):
                shown.append((centre, low, high))
    if content.contours and content.null is not None:
        half = NormalDist().inv_cdf(1 - CONTOURS[0][0] / 2) * vertical.high
        null = _natural(content, content.null)
        low, high = (_natural(content, content.null + sign * half) for sign in (-1, 1))
        if content.scale.axis != "log" or (low > 0 and high / low < 1e4):
            shown.append((null, low, high))
    return plan_axis(
        content.scale.axis,
        studies=[],
        means=shown,
        null=None if content.null is None else _natural(content, content.null),
        label_width=lambda label: measure(label, type_.small, False),
        width=width,
    )


def _edge(layout: Frame, content: FunnelContent, start: float, reach: float) -> list[tuple[float, float]]:
    """Return the line of start + reach times the standard error, down to the bottom or out to the side."""
    points = []
    for error in np.linspace(0.0, layout.vertical.high, STEPS + 1):
        value = _natural(content, start + reach * float(error))
        points.append((layout.panel.x(value), layout.y(float(error))))
        if not layout.panel.axis.holds(value):
            break
    return points


def _add_contours(layout: Frame, content: FunnelContent, null: float) -> None:
    """Shade the regions of p values, the widest first."""
    for order, (p_value, shade) in enumerate(reversed(CONTOURS)):
        reach = NormalDist().inv_cdf(1 - p_value / 2)
        right = _edge(layout, content, null, reach)
        left = _edge(layout, content, null, -reach)
        corners = [(right[-1][0], layout.bottom), (left[-1][0], layout.bottom)]
        layout.scene.shapes.append(
            Shape(
                points=(*right, *corners, *reversed(left)), face=shade, order=0.1 * order,
                role=f"contour-{p_value:g}",
            )
        )  # fmt: skip


def _add_centre(layout: Frame, content: FunnelContent) -> None:
    """Add the pooled estimate and the limits that hold most studies if they differ by chance alone."""
    if content.centre is None:
        return
    x = layout.panel.x(_natural(content, content.centre))
    layout.scene.strokes.append(
        Stroke(
            points=((x, layout.top), (x, layout.bottom)), width=style.THICK, colour=style.MEAN, order=2.2,
            role="centre",
        )
    )  # fmt: skip
    if content.vertical != "standard_error":
        return
    reach = NormalDist().inv_cdf((1 + content.level) / 2)
    for sign in (-1, 1):
        layout.scene.strokes.append(
            Stroke(
                points=tuple(_edge(layout, content, content.centre, sign * reach)), colour=style.MEAN,
                dash=(4, 2), order=2.2, role="limit",
            )
        )  # fmt: skip


def _add_expected(layout: Frame, content: FunnelContent) -> None:
    """Add the studies that trim and fill would add, and the line of a model of small-study effects."""
    for point in content.added:
        x = layout.x(_natural(content, point.effect))
        y = layout.y(point.standard_error or 0.0)
        layout.scene.shapes.append(
            Shape(
                points=((x - 3.6, y - 2.6), (x + 3.6, y - 2.6), (x, y + 3.8)),
                face=style.PAPER,
                edge=style.MEAN,
                width=style.HEAVY,
                order=3.2,
                role="added",
            )
        )
    if content.line is None:
        return
    places = [(_natural(content, effect), error) for effect, error in content.line.points]
    inside = [
        (layout.x(value), layout.y(error))
        for value, error in places
        if layout.panel.axis.holds(value) and error <= layout.vertical.high
    ]
    if len(inside) > 1:
        layout.scene.strokes.append(
            Stroke(
                points=tuple(inside), width=style.THICK, dash=(1.8, 1.8), order=2.4, role="small-study-line"
            )
        )


def _add_contour_key(scene: Scene, top: float, type_: style.Type, measure: TextWidth) -> float:
    """Add a swatch and its words for each region, wrapping where the figure is narrow."""
    values = [p_value for p_value, _ in CONTOURS]
    words = [
        f"p above {values[0]:.2f}",
        *(f"{b:.2f} to {a:.2f}" for a, b in pairwise(values)),
    ]
    entries = [
        *zip((shade for _, shade in CONTOURS), words, strict=True),
        (style.PAPER, f"below {values[-1]:.2f}"),
    ]
    x, line = MARGIN, LEADING * type_.small
    for shade, text in entries:
        wide = 13 + measure(text, type_.small, False)
        if x + wide > scene.width - MARGIN:
            x, top = MARGIN, top + line
        y = top + line / 2
        box = ((x, y - 3.5), (x + 9, y - 3.5), (x + 9, y + 3.5), (x, y + 3.5))
        scene.shapes.append(Shape(points=box, face=shade, edge=style.QUIET, width=style.THIN, role="key"))
        scene.paragraph((text,), x=x + 13, top=top, size=type_.small, role="key")
        x += wide + 12
    return top + line


def _notes(content: FunnelContent) -> list[str]:
    notes = []
    level = f"{100 * content.level:.4g} %"
    if content.centre is not None:
        key = "Bubble: a study. Thick line: pooled mean."
        if content.vertical == "standard_error":
            key += f" Dashed lines: where {level} of studies would lie if they differed by chance alone."
        notes.append(key)
    else:
        notes.append("Bubble: a study." if content.points else "No study has a place in this figure.")
    if content.added:
        count = f"{len(content.added)} study" if len(content.added) == 1 else f"{len(content.added)} studies"
        notes.append(f"Hollow triangle: trim and fill would add {count} here; nobody did them.")
    if content.line is not None:
        notes.append(f"Dotted line: effect expected at each standard error, by {content.line.label}.")
    if content.contours:
        notes.append("Shading: p value of a study's own test of no difference.")
    return [*notes, *content.footnotes]
