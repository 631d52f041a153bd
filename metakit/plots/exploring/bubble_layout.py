"""A bubble picture laid out: the moderator across, the effect upwards; a factor's levels as strips. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from metakit.measures.natural import Natural
from metakit.plots import style
from metakit.plots.footing import add_axis, add_notes, axis_name
from metakit.plots.forests.columns import MARGIN
from metakit.plots.frame import Frame, add_caption, add_vertical_axis, gutter, start_scene, vertical_axis
from metakit.plots.marks import Panel
from metakit.plots.point_labels import Box, Named, add_names
from metakit.plots.scale import AxisPlan, Interval, plan_axis
from metakit.plots.scene import LEADING, Bubble, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap


@dataclass(frozen=True, slots=True, kw_only=True)
class BubblePoint:
    """One study: its value of the moderator, its effect in natural units, its share of the weight."""

    study: str
    at: float
    effect: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the regression expects at one value of the moderator, in natural units."""

    at: float
    mean: Interval
    prediction: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BubbleContent:
    """Everything a bubble picture shows.

    With `levels` the moderator is a factor: `at` is then the number of a level, and `expected` has one
    entry a level; else `expected` are points along the line.
    """

    title: str
    moderator: str
    natural: Natural
    points: tuple[BubblePoint, ...]
    expected: tuple[Expected, ...]
    levels: tuple[str, ...] = ()
    lower_words: str = ""
    higher_words: str = ""
    level: float = 0.95
    sentence: str = ""
    footnotes: tuple[str, ...] = ()


LARGEST = 190.0
"""Area in square points of a bubble that would carry all the weight of four average studies."""
MOST_NAMES = 24


def lay_out_bubbles(content: BubbleContent, *, width_mm: float, measure: TextWidth) -> Frame:
    """Lay out a bubble picture at its final size."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    natural = content.natural
    caption = axis_name(natural.heading, natural.unit, natural.axis)
    sides = [
        f"{way} {words}" for way, words in (("↑", content.higher_words), ("↓", content.lower_words)) if words
    ]
    top = add_caption(scene, "   ".join([caption, *sides]), top, type_, measure)
    bottom = top + min(0.55 * scene.width, 105 * style.MM)
    vertical = _vertical(content, bottom - top, type_)
    left, right = MARGIN + gutter(vertical, type_, measure), scene.width - MARGIN - 6
    horizontal = _horizontal(content, right - left, type_, measure)
    panel = Panel(left=left, right=right, axis=horizontal)
    frame = Frame(scene=scene, panel=panel, top=top, bottom=bottom, vertical=vertical)
    add_vertical_axis(frame, type_)
    _null(frame, natural.null)
    (_strips if content.levels else _line)(frame, content)
    points = _bubbles(frame, content)
    most = MOST_NAMES if width_mm >= 110 else MOST_NAMES // 2
    unnamed = add_names(
        scene, points[:most], others=points[most:], keep_clear=_over_the_line(frame, content),
        bounds=(left + 2, top, scene.width - MARGIN, bottom - 2), size=type_.small, measure=measure,
    )  # fmt: skip
    below = add_axis(
        scene, panel, null=None, name=clean_text(content.moderator) if not content.levels else "", top=top,
        bottom=bottom, type_=type_, measure=measure,
    )  # fmt: skip
    if content.levels:
        below = _level_names(frame, content, type_, measure)
    missing = len(points[most:]) + len(unnamed)
    notes = [content.sentence, _key(content, missing), *content.footnotes]
    scene.height = MARGIN + add_notes(scene, notes, top=below, type_=type_, measure=measure)
    return frame


def _vertical(content: BubbleContent, length: float, type_: style.Type) -> AxisPlan:
    """Show every study and the band of the mean; the prediction band as far as it is of the same order."""
    natural = content.natural
    shown = [point.effect for point in content.points]
    shown += [value for one in content.expected for value in one.mean]
    plan = vertical_axis(natural.axis, shown, null=natural.null, length=length, type_=type_)
    ends = [value for one in content.expected for value in one.prediction]
    near = [value for value in ends if -0.5 <= plan.place(value) <= 1.5]
    return vertical_axis(natural.axis, [*shown, *near], null=natural.null, length=length, type_=type_)


def _horizontal(content: BubbleContent, width: float, type_: style.Type, measure: TextWidth) -> AxisPlan:
    if content.levels:
        return AxisPlan(kind="linear", low=-0.5, high=len(content.levels) - 0.5)
    values = [point.at for point in content.points]
    low, high = min(values), max(values)
    pad = 0.06 * (high - low)
    plan = plan_axis(
        "linear", studies=[], means=[(value, value, value) for value in (low - pad, high + pad)], null=None,
        label_width=lambda label: measure(label, type_.small, False), width=width,
    )  # fmt: skip
    if low - pad < plan.low:  # near zero the plan keeps to positive values, and a bubble needs its room
        from metakit.plots.scale import choose_ticks

        wider = AxisPlan(kind="linear", low=low - pad, high=plan.high)
        ticks = choose_ticks(wider, label_width=lambda label: measure(label, type_.small, False), width=width)
        return AxisPlan(kind="linear", low=wider.low, high=wider.high, ticks=ticks)
    return plan


def _null(frame: Frame, null: float | None) -> None:
    if null is not None and frame.vertical.holds(null):
        y = frame.y(null)
        frame.scene.strokes.append(
            Stroke(points=((frame.panel.left, y), (frame.panel.right, y)), order=1.5, role="null")
        )


def _line(frame: Frame, content: BubbleContent) -> None:
    xs = [frame.x(one.at) for one in content.expected]

    def edge(values: list[float]) -> tuple[tuple[float, float], ...]:
        return tuple((x, frame.y(value)) for x, value in zip(xs, values, strict=True))

    low = edge([one.mean[1] for one in content.expected])
    high = edge([one.mean[2] for one in content.expected])
    scene = frame.scene
    scene.shapes.append(Shape(points=(*low, *reversed(high)), face=style.BAND, order=0, role="mean-band"))
    for values in (
        [one.prediction[0] for one in content.expected],
        [one.prediction[1] for one in content.expected],
    ):
        inside = [
            place for place, value in zip(edge(values), values, strict=True) if frame.vertical.holds(value)
        ]
        if len(inside) > 1:
            scene.strokes.append(
                Stroke(points=tuple(inside), colour=style.MEAN, dash=(4, 2), order=2.1, role="prediction")
            )
    middle = edge([one.mean[0] for one in content.expected])
    scene.strokes.append(
        Stroke(points=middle, width=style.THICK, colour=style.MEAN, order=2.2, role="regression")
    )


def _half_strip(frame: Frame, content: BubbleContent) -> float:
    return 0.42 * (frame.panel.right - frame.panel.left) / len(content.levels)


def _strips(frame: Frame, content: BubbleContent) -> None:
    half = _half_strip(frame, content)
    for one in content.expected:
        _strip(frame, one, frame.x(one.at), half)


def _strip(frame: Frame, one: Expected, x: float, half: float) -> None:
    scene, (middle, low, high) = frame.scene, one.mean
    left, right = x - half, x + half
    box = ((left, frame.y(low)), (right, frame.y(low)), (right, frame.y(high)), (left, frame.y(high)))
    scene.shapes.append(Shape(points=box, face=style.BAND, order=0, role="mean-band"))
    y = frame.y(middle)
    scene.strokes.append(
        Stroke(
            points=((left, y), (right, y)), width=style.THICK, colour=style.MEAN, order=2.2, role="regression"
        )
    )
    for value in one.prediction:
        if frame.vertical.holds(value):
            scene.strokes.append(
                Stroke(
                    points=((left, frame.y(value)), (right, frame.y(value))), colour=style.MEAN, dash=(4, 2),
                    order=2.1, role="prediction",
                )
            )  # fmt: skip


def _bubbles(frame: Frame, content: BubbleContent) -> list[Named]:
    """Add the bubbles, the heaviest first and so behind the others; return their places in that order."""
    order = sorted(range(len(content.points)), key=lambda i: (-content.points[i].weight, i))
    heaviest = content.points[order[0]].weight
    full = min(LARGEST, 2400.0 / len(order) ** 0.75)
    places: list[Named] = []
    spread = _spread(frame, content) if content.levels else {}
    for i in order:
        point = content.points[i]
        area = max(full * point.weight / heaviest, 3.0)
        x, y = spread.get(i, frame.x(point.at)), frame.y(point.effect)
        frame.scene.bubbles.append(Bubble(x=x, y=y, area=area, edged=True, row=i))
        places.append(Named(x=x, y=y, radius=math.sqrt(area / math.pi), name=point.study))
    return places


def _spread(frame: Frame, content: BubbleContent) -> dict[int, float]:
    """Set the studies of a level side by side in their strip, in the order given."""
    half = 0.8 * _half_strip(frame, content)
    places = {}
    for number in range(len(content.levels)):
        members = [i for i, point in enumerate(content.points) if round(point.at) == number]
        for rank, i in enumerate(members):
            share = (rank + 0.5) / len(members) if members else 0.5
            places[i] = frame.x(number) - half + 2 * half * share
    return places


def _over_the_line(frame: Frame, content: BubbleContent) -> list[Box]:
    """Return what no name may cover: regression, edges of the prediction band, line of no difference."""
    half = _half_strip(frame, content) if content.levels else 2.0
    boxes = [
        (frame.x(one.at) - half, frame.y(value) - 2, frame.x(one.at) + half, frame.y(value) + 2)
        for one in content.expected
        for value in (one.mean[0], *one.prediction)
        if frame.vertical.holds(value)
    ]
    if content.natural.null is not None:
        y = frame.y(content.natural.null)
        boxes.append((frame.panel.left, y - 1.5, frame.panel.right, y + 1.5))
    return boxes


def _level_names(frame: Frame, content: BubbleContent, type_: style.Type, measure: TextWidth) -> float:
    room = (frame.panel.right - frame.panel.left) / len(content.levels) - 6
    bottoms = []
    for number, level in enumerate(content.levels):
        lines = wrap(clean_text(level), type_.small, room, measure, most=3)
        bottoms.append(
            frame.scene.paragraph(
                lines, x=frame.x(number), top=frame.bottom + 4, size=type_.small, align="center", role="level"
            )
        )
    return _named_below(frame.scene, content.moderator, max(bottoms), type_, measure)


def _named_below(scene: Scene, name: str, top: float, type_: style.Type, measure: TextWidth) -> float:
    lines = wrap(clean_text(name), type_.small, scene.width - 2 * MARGIN, measure)
    return (
        scene.paragraph(lines, x=scene.width / 2, top=top, size=type_.small, align="center", role="axis-name")
        + (LEADING - 1) * type_.small
    )


def _key(content: BubbleContent, unnamed: int) -> str:
    level = f"{100 * content.level:.4g} %"
    key = (
        "Bubble: a study, its area in proportion to the weight. Thick line: what the regression "
        "expects; shaded: its "
        f"{level} interval; dashed: {level} prediction interval, the range expected in a new centre."
    )
    if unnamed:
        key += f" {unnamed} of {len(content.points)} bubbles stand without a name for want of room."
    return key
