"""A specification curve laid out: sorted answers above, what each of them chose below. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from metakit.plots import style
from metakit.plots.footing import add_notes
from metakit.plots.forests.columns import GAP, MARGIN
from metakit.plots.frame import Frame, add_caption, add_vertical_axis, start_scene, with_vertical_ticks
from metakit.plots.marks import Panel
from metakit.plots.scale import AxisPlan, Interval
from metakit.plots.scene import Bubble, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, shorten, wrap


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """One answered specification: its interval, whether the conclusion holds, the options it takes."""

    interval: Interval
    holds: bool
    headline: bool
    options: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionRow:
    """One row of the matrix: a choice, one of its options, and whether the headline takes it."""

    choice: str
    option: str
    label: str
    headline: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationContent:
    """Everything a specification curve shows; `points` are sorted by estimate, in the curve's unit.

    `groups` are the choices that vary, as (label, its rows). `important` is the smallest important
    difference in the curve's unit.
    """

    title: str
    unit: str
    points: tuple[CurvePoint, ...]
    groups: tuple[tuple[str, tuple[OptionRow, ...]], ...]
    below: str = ""
    above: str = ""
    important: float | None = None
    level: float = 0.95
    sentence: str = ""
    footnotes: tuple[str, ...] = ()


ROW = 1.28
"""Height of a row of the matrix in units of its type."""
MOST_LINES = 160
"""Specifications above which single intervals merge into a band."""


def lay_out_specifications(content: SpecificationContent, *, width_mm: float, measure: TextWidth) -> Frame:
    """Lay out a specification curve at its final size."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    lead = wrap(clean_text(content.sentence), type_.body, scene.width - 2 * MARGIN, measure, bold=True)
    top = scene.paragraph(lead, x=MARGIN, top=top, size=type_.body, bold=True, role="fraction") + 4
    sides = [f"{way} {words}" for way, words in (("↑", content.above), ("↓", content.below)) if words]
    caption = f"Difference ({content.unit})" if content.unit else "Difference"
    top = add_caption(scene, "   ".join([caption, *sides]), top, type_, measure)
    names = _names_room(content, scene.width, type_, measure)
    left, right = MARGIN + names + GAP, scene.width - MARGIN
    bottom = top + min(0.3 * scene.width, 62 * style.MM)
    vertical = with_vertical_ticks(_vertical(content), bottom - top, type_)
    count = len(content.points)
    axis = AxisPlan(kind="linear", low=-0.5, high=count - 0.5)
    frame = Frame(
        scene=scene, panel=Panel(left=left, right=right, axis=axis), top=top, bottom=bottom, vertical=vertical
    )
    add_vertical_axis(frame, type_)
    _levels(frame, content)
    _curve(frame, content)
    end = bottom + 6
    end = _holding(frame, content, end, type_)
    for label, rows in content.groups:
        end = _group(frame, content, label, rows, end, type_, measure)
    _headline(frame, content, end)
    scene.height = MARGIN + add_notes(scene, _notes(content), top=end, type_=type_, measure=measure)
    return frame


def _names_room(content: SpecificationContent, width: float, type_: style.Type, measure: TextWidth) -> float:
    texts = [(clean_text(row.label), row.headline) for _, rows in content.groups for row in rows]
    texts.append(("Conclusion holds", True))
    widest = max((measure(text, type_.small, bold) for text, bold in texts), default=0.0) + 8
    headings = [measure(clean_text(label), type_.small, True) for label, _ in content.groups]
    return min(max([widest, 40.0, *headings]), 0.36 * width)


def _vertical(content: SpecificationContent) -> AxisPlan:
    """Show every estimate and the middle 90 % of the limits; limits beyond are cut at the edge."""
    estimates = [point.interval[0] for point in content.points]
    lows = sorted(point.interval[1] for point in content.points)
    highs = sorted(point.interval[2] for point in content.points)
    cut = len(lows) // 20
    values = [0.0, min(estimates), max(estimates), lows[cut], highs[-1 - cut]]
    reach = max(estimates) - min(estimates) or max(map(abs, estimates)) or 1.0
    low = max(min(values), min([0.0, *estimates]) - 6 * reach)
    high = min(max(values), max([0.0, *estimates]) + 6 * reach)
    pad = 0.04 * (high - low)
    return AxisPlan(kind="linear", low=low - pad, high=high + pad)


def _levels(frame: Frame, content: SpecificationContent) -> None:
    left, right = frame.panel.left, frame.panel.right
    y = frame.y(0.0)
    frame.scene.strokes.append(Stroke(points=((left, y), (right, y)), order=1.5, role="null"))
    for sign in (-1, 1):
        value = sign * content.important if content.important is not None else None
        if value is not None and frame.vertical.holds(value):
            y = frame.y(value)
            frame.scene.strokes.append(
                Stroke(
                    points=((left, y), (right, y)),
                    width=style.THIN,
                    colour=style.QUIET,
                    dash=(1.5, 2),
                    order=1.5,
                    role="important",
                )
            )


def _curve(frame: Frame, content: SpecificationContent) -> None:
    points = content.points
    step = (frame.panel.right - frame.panel.left) / len(points)
    if len(points) > MOST_LINES:
        low = [(frame.x(i), frame.y(point.interval[1])) for i, point in enumerate(points)]
        high = [(frame.x(i), frame.y(point.interval[2])) for i, point in enumerate(points)]
        frame.scene.shapes.append(
            Shape(points=(*low, *reversed(high)), face="#dfeef8", order=1, role="intervals")
        )
    else:
        for i, point in enumerate(points):
            x = frame.x(i)
            ends = ((x, frame.y(point.interval[1])), (x, frame.y(point.interval[2])))
            frame.scene.strokes.append(
                Stroke(
                    points=ends,
                    width=min(style.LINE, 0.5 * step),
                    colour=style.STUDY,
                    order=2,
                    role="interval",
                )
            )
    area = max(min(12.0, step**2), 1.2)
    for i, point in enumerate(points):
        if not point.headline:
            frame.scene.bubbles.append(
                Bubble(
                    x=frame.x(i),
                    y=frame.y(point.interval[0]),
                    area=area,
                    hollow=not point.holds,
                    edged=True,
                    row=i,
                )
            )


def _headline(frame: Frame, content: SpecificationContent, end: float) -> None:
    """Lead a line from the diamond of the planned analysis down through the matrix."""
    for i, point in enumerate(content.points):
        if point.headline:
            x, y = frame.x(i), frame.y(point.interval[0])
            frame.scene.strokes.append(
                Stroke(
                    points=((x, y), (x, end)), width=style.LINE, colour=style.MEAN, order=1.2, role="headline"
                )
            )
            frame.scene.strokes.append(
                Stroke(
                    points=((x, frame.y(point.interval[1])), (x, frame.y(point.interval[2]))),
                    width=style.HEAVY,
                    colour=style.MEAN,
                    order=4,
                    role="headline-interval",
                )
            )
            frame.scene.shapes.append(
                Shape(
                    points=((x - 4, y), (x, y - 5), (x + 4, y), (x, y + 5)),
                    face=style.MEAN,
                    edge=style.PAPER,
                    width=style.THIN,
                    order=5,
                    role="headline",
                )
            )


def _holding(frame: Frame, content: SpecificationContent, top: float, type_: style.Type) -> float:
    """Add a strip that says under which columns the conclusion holds."""
    line = ROW * type_.small
    frame.scene.paragraph(
        ("Conclusion holds",), x=MARGIN, top=top, size=type_.small, bold=True, role="holds", leading=ROW
    )
    _dashes(frame, [point.holds for point in content.points], top + line / 2)
    return top + line


def _dashes(frame: Frame, taken: Sequence[bool], y: float) -> None:
    """Add a hairline with a dark dash under every column that is marked."""
    frame.scene.strokes.append(
        Stroke(
            points=((frame.panel.left, y), (frame.panel.right, y)),
            width=style.THIN,
            colour=style.HAIRLINE,
            order=0.5,
            role="rule",
        )
    )
    for first, last in _runs(taken):
        ends = (frame.x(first - 0.45), frame.x(last + 0.45))
        corners = ((ends[0], y - 2.6), (ends[1], y - 2.6), (ends[1], y + 2.6), (ends[0], y + 2.6))
        frame.scene.tiles.append(Shape(points=corners, face=style.STUDY_LINE, order=3, role="taken"))


def _group(
    frame: Frame,
    content: SpecificationContent,
    label: str,
    rows: Sequence[OptionRow],
    top: float,
    type_: style.Type,
    measure: TextWidth,
) -> float:
    """Add one choice: its heading, a row an option, a dash under every specification that takes it."""
    scene, size = frame.scene, type_.small
    line = ROW * size
    room = frame.panel.left - GAP - MARGIN
    heading = wrap(clean_text(label), size, room, measure, bold=True)
    top = scene.paragraph(heading, x=MARGIN, top=top + 2, size=size, bold=True, role="choice", leading=ROW)
    for row in rows:
        text = shorten(clean_text(row.label), size, room - 8, measure)
        scene.paragraph((text,), x=MARGIN + 8, top=top, size=size, role="option", leading=ROW)
        _dashes(
            frame, [(row.choice, row.option) in point.options for point in content.points], top + line / 2
        )
        top += line
    return top


def _runs(taken: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Yield first and last of each run of neighbouring columns that are marked."""
    start: int | None = None
    for i, marked in enumerate(taken):
        if marked and start is None:
            start = i
        if not marked and start is not None:
            yield start, i - 1
            start = None
    if start is not None:
        yield start, len(taken) - 1


def _notes(content: SpecificationContent) -> list[str]:
    level = f"{100 * content.level:.4g} %"
    around = "band" if len(content.points) > MOST_LINES else "line"
    key = [
        f"Each column is one way to do the analysis, sorted by its estimate. Dot: estimate; {around}: "
        f"{level} interval. "
        "Hollow dot: the conclusion does not hold. Dark dashes below: the options that it takes."
    ]
    if any(point.headline for point in content.points):
        key[0] += " Diamond with line: the analysis as planned."
    if content.important is not None:
        key[0] += " Dotted: smallest difference that matters."
    key.append("The columns share studies and are no independent evidence; the fraction is no probability.")
    return [*key, *content.footnotes]
