"""The figures of a unit's page laid out. Pure.

A range of counts is a dashed line between brackets, as every range for a new centre is; the expected number
is a disc, hollow for what the unit does now. Of an input's two ends the lower is pale and the upper dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.plots import style
from metakit.plots.footing import add_axis, add_directions, add_notes
from metakit.plots.forests.columns import MARGIN
from metakit.plots.frame import (
    Frame,
    add_caption,
    add_vertical_axis,
    gutter,
    start_scene,
    vertical_axis,
)
from metakit.plots.marks import Panel, prediction_mark
from metakit.plots.point_labels import Box, Named, add_names
from metakit.plots.scale import AxisPlan, Interval, plan_axis
from metakit.plots.scene import LEADING, Bubble, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedRow:
    """One technique: expected events with their range, also in words; `current` is what is done now."""

    name: str
    events: Interval
    words: str
    current: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedContent:
    """Expected events of one year's thumbs; `groups` are outcomes with their rows."""

    title: str
    axis_name: str
    groups: tuple[tuple[str, tuple[ExpectedRow, ...]], ...]
    footnotes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverRow:
    """One input moved between its limits: what is shown of them, and the difference at either."""

    name: str
    limits: str
    at_low: float
    at_high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverContent:
    """What drives the difference of a technique to the current one."""

    title: str
    axis_name: str
    difference: float
    rows: tuple[DriverRow, ...]
    left_words: str
    right_words: str
    footnotes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TradePoint:
    """One technique in two outcomes: value, lower and upper end of either."""

    name: str
    across: Interval
    up: Interval
    current: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeContent:
    """Techniques as points over two outcomes; `better` says in words where better is."""

    title: str
    across_name: str
    up_name: str
    better: str
    points: tuple[TradePoint, ...]
    footnotes: tuple[str, ...] = ()


DISC = 22.0
"""Area of the disc at an expected value, in square points."""
GAP = 8.0
NAMES = 0.36
"""Largest share of the width for names."""
EXPECTED_KEY = (
    "Disc: expected number, hollow for what is done now. Dashed line in brackets: where 95 of 100 such "
    "units would lie in a year."
)
DRIVER_KEY = (
    "Each bar moves one input between its limits while all others stay at their estimates: pale towards the "
    "lower limit, dark towards the upper. Thin line: the difference at the estimates."
)
TRADE_KEY = (
    "Disc: value at the estimates, hollow for what is done now. Dashed lines in brackets: range in a new "
    "centre, without the chance of single thumbs. The two ranges are drawn apart; they say nothing about how "
    "the outcomes go together."
)


def lay_out_expected(content: ExpectedContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out expected events: names, ranges on one axis, numbers."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    rows = [row for _, group in content.groups for row in group]
    names = _names_width(scene, [row.name for row in rows], type_, measure)
    numbers = max(measure(row.words, type_.body, False) for row in rows)
    left, right = MARGIN + names + GAP, scene.width - MARGIN - numbers - GAP
    axis = _axis([row.events for row in rows], right - left, type_, measure, null=None)
    panel = Panel(left=left, right=right, axis=axis)
    y = top
    for label, group in content.groups:
        lines = wrap(clean_text(label), type_.body, scene.width - 2 * MARGIN, measure, bold=True)
        y = scene.paragraph(lines, x=MARGIN, top=y + 2, size=type_.body, bold=True, role="group") + 1
        for row in group:
            lines = wrap(clean_text(row.name), type_.body, names, measure, most=2)
            scene.paragraph(lines, x=MARGIN, top=y + 1, size=type_.body, role="name")
            high = len(lines) * LEADING * type_.body + 3
            middle = y + high / 2
            expected, low, far = row.events
            prediction_mark(scene, panel, low, far, y=middle, role="range")
            scene.bubbles.append(
                Bubble(x=panel.x(expected), y=middle, area=DISC, hollow=row.current, edged=True)
            )
            scene.paragraph(
                (row.words,), x=scene.width - MARGIN, top=middle - LEADING * type_.body / 2, size=type_.body,
                align="right", role="numbers",
            )  # fmt: skip
            y += high
        y += 2
    below = add_axis(
        scene, panel, null=None, name=content.axis_name, top=top, bottom=y + 2, type_=type_, measure=measure
    )
    scene.height = MARGIN + add_notes(
        scene, [EXPECTED_KEY, *content.footnotes], top=below, type_=type_, measure=measure
    )
    return scene


def lay_out_drivers(content: DriverContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out drivers: the input that moves the answer most stands first."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    names = _names_width(
        scene, [text for row in content.rows for text in (row.name, row.limits)], type_, measure, most=0.44
    )
    left, right = MARGIN + names + GAP, scene.width - MARGIN - 4
    ends = [(content.difference, row.at_low, row.at_high) for row in content.rows]
    panel = Panel(left=left, right=right, axis=_axis(ends, right - left, type_, measure, null=0.0))
    middle = panel.x(content.difference)
    y = top
    for row in content.rows:
        lines = wrap(clean_text(row.name), type_.body, names, measure, most=3)
        limits = wrap(clean_text(row.limits), type_.small, names, measure, most=2)
        under = scene.paragraph(lines, x=MARGIN, top=y, size=type_.body, role="name")
        under = scene.paragraph(
            limits, x=MARGIN, top=under, size=type_.small, colour=style.QUIET, role="limits"
        )
        at = (y + under) / 2
        halves = [(row.at_low, style.STUDY, "lower"), (row.at_high, style.STUDY_LINE, "upper")]
        # Where both ends lie on one side of the estimate, the nearer one is drawn over the farther.
        halves.sort(key=lambda half: -abs(half[0] - content.difference))
        for order, (value, face, role) in enumerate(halves):
            _half_bar(scene, (middle, panel.x(value)), at, face, role, 3 + 0.5 * order)
        y = under + 4
    scene.strokes.append(
        Stroke(points=((middle, top), (middle, y)), width=style.THIN, order=4.5, role="estimate")
    )
    below = add_axis(
        scene, panel, null=0.0, name=content.axis_name, top=top, bottom=y + 2, type_=type_, measure=measure
    )
    below = add_directions(
        scene, panel, null=0.0, left_words=content.left_words, right_words=content.right_words, top=below,
        type_=type_, measure=measure,
    )  # fmt: skip
    scene.height = MARGIN + add_notes(
        scene, [DRIVER_KEY, *content.footnotes], top=below, type_=type_, measure=measure
    )
    return scene


def _half_bar(scene: Scene, ends: tuple[float, float], y: float, face: str, role: str, order: float) -> None:
    """Add one end of a bar, from the estimate to the difference at a limit."""
    start, end = ends
    box = ((start, y - 4), (end, y - 4), (end, y + 4), (start, y + 4))
    scene.shapes.append(
        Shape(points=box, face=face, edge=style.STUDY_LINE, width=style.THIN, order=order, role=role)
    )


def lay_out_trade(content: TradeContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out two outcomes against each other."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    for number, point in enumerate(content.points, 1):
        # A line each: names that read from the right would carry the next number away.
        top = add_caption(scene, f"{number} {point.name}", top, type_, measure) - 2
    top = add_caption(scene, f"↑ {content.up_name}", top + 4, type_, measure)
    bottom = top + min(0.5 * scene.width, 90 * style.MM)
    ups = [value for point in content.points for value in point.up]
    vertical = vertical_axis("linear", ups, null=None, length=bottom - top, type_=type_)
    left, right = MARGIN + gutter(vertical, type_, measure), scene.width - MARGIN - 6
    axis = _axis([point.across for point in content.points], right - left, type_, measure, null=None)
    panel = Panel(left=left, right=right, axis=axis)
    frame = Frame(scene=scene, panel=panel, top=top, bottom=bottom, vertical=vertical)
    add_vertical_axis(frame, type_)
    points = [_cross(frame, point, str(number)) for number, point in enumerate(content.points, 1)]
    _named(frame, content.points, points, type_, measure)
    below = add_axis(
        scene, panel, null=None, name=f"→ {content.across_name}", top=top, bottom=bottom, type_=type_,
        measure=measure,
    )  # fmt: skip
    notes = [content.better, TRADE_KEY, *content.footnotes]
    scene.height = MARGIN + add_notes(scene, notes, top=below, type_=type_, measure=measure)
    return scene


def _named(
    frame: Frame, points: Sequence[TradePoint], wanted: Sequence[Named], type_: style.Type, measure: TextWidth
) -> None:
    """Put numbers beside points and clear of all ranges; where that leaves one without, over the ranges."""
    bounds = (frame.panel.left + 2, frame.top, frame.scene.width - MARGIN, frame.bottom - 2)
    clear: Sequence[Box] = _lines(frame, points)
    for scene in (Scene(width=frame.scene.width), frame.scene):
        missing = add_names(scene, wanted, keep_clear=clear, bounds=bounds, size=type_.body, measure=measure)
        clear = () if missing else clear


def _lines(frame: Frame, points: Sequence[TradePoint]) -> list[Box]:
    """Return the boxes around all ranges, for names to keep clear of."""
    found = []
    for point in points:
        x, y = frame.x(point.across[0]), frame.y(point.up[0])
        found.append((frame.x(point.across[1]), y - 2, frame.x(point.across[2]), y + 2))
        found.append((x - 2, frame.y(point.up[2]), x + 2, frame.y(point.up[1])))
    return found


def _cross(frame: Frame, point: TradePoint, name: str) -> Named:
    scene, x, y = frame.scene, frame.x(point.across[0]), frame.y(point.up[0])
    if point.across[1] < point.across[2]:
        prediction_mark(scene, frame.panel, point.across[1], point.across[2], y=y, role="range")
    if point.up[1] < point.up[2]:
        top, bottom = frame.y(point.up[2]), frame.y(point.up[1])
        scene.strokes.append(
            Stroke(points=((x, top), (x, bottom)), colour=style.MEAN, dash=(3, 1.6), order=4, role="range")
        )
        for end, inward in ((top, 2.2), (bottom, -2.2)):
            bracket = ((x - 3, end + inward), (x - 3, end), (x + 3, end), (x + 3, end + inward))
            scene.strokes.append(
                Stroke(points=bracket, width=style.HEAVY, colour=style.MEAN, order=4, role="range-bracket")
            )
    scene.bubbles.append(Bubble(x=x, y=y, area=1.6 * DISC, hollow=point.current, edged=True))
    return Named(x=x, y=y, radius=3.6, name=name)


def _names_width(
    scene: Scene, names: Sequence[str], type_: style.Type, measure: TextWidth, *, most: float = NAMES
) -> float:
    widest = max(measure(clean_text(name), type_.body, False) for name in names)
    return min(widest, most * (scene.width - 2 * MARGIN))


def _axis(
    values: Sequence[tuple[float, float, float]], width: float, type_: style.Type, measure: TextWidth, *,
    null: float | None,
) -> AxisPlan:  # fmt: skip
    return plan_axis(
        "linear", studies=[], means=values, null=null,
        label_width=lambda label: measure(label, type_.small, False), width=width,
    )  # fmt: skip
