"""The influence figure laid out: names at the left, a small panel for each diagnostic. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from metakit.plots import style
from metakit.plots.footing import add_notes
from metakit.plots.forests.columns import MARGIN
from metakit.plots.forests.layout import TALLEST
from metakit.plots.frame import start_scene
from metakit.plots.marks import Panel
from metakit.plots.scale import plan_axis
from metakit.plots.scene import LEADING, Bubble, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, shorten, wrap


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnostic:
    """One column: its values by study, where its stems begin, and the thresholds that ask for a look.

    `beyond` says which studies lie past a threshold; () where there is no threshold.
    """

    name: str
    values: tuple[float, ...]
    start: float
    thresholds: tuple[float, ...] = ()

    def beyond(self, row: int) -> bool:
        """Return whether a study lies past a threshold, on the far side from the start."""
        value = self.values[row]
        return any((value > limit) if limit > self.start else (value < limit) for limit in self.thresholds)


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluenceContent:
    """Everything the influence figure shows; `flagged` are the reasons to look at each study."""

    title: str
    studies: tuple[str, ...]
    flagged: tuple[tuple[str, ...], ...]
    columns: tuple[Diagnostic, ...]
    footnotes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for column in self.columns:
            if len(column.values) != len(self.studies) or not all(map(math.isfinite, column.values)):
                raise ValueError(
                    f"{column.name}: not one finite value for each of {len(self.studies)} studies"
                )


GAP = 6.0
"""Room between two panels in points."""
NARROWEST = 38.0
"""Narrowest panel in points; where they would be narrower they stand in several blocks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Height of a row, room for names, type sizes, ruler."""

    high: float
    names: float
    type_: style.Type
    measure: TextWidth


def lay_out_influence(content: InfluenceContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out the influence figure; above a page's height rows move together and type gets smaller."""
    scene = _lay_out(content, width_mm, measure, tight=False)
    return scene if scene.height <= TALLEST else _lay_out(content, width_mm, measure, tight=True)


def _lay_out(content: InfluenceContent, width_mm: float, measure: TextWidth, *, tight: bool) -> Scene:
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    type_ = style.NARROW if tight else type_
    high = type_.body * (1.1 if tight else LEADING + 0.2)
    widest = max((measure(clean_text(name), type_.body, True) for name in content.studies), default=0.0)
    words = [word for column in content.columns for word in column.name.split()]
    least = max(NARROWEST, *(measure(word, type_.small, True) + 3 - GAP for word in words)) + GAP
    room = scene.width - 2 * MARGIN
    fits = max(min(int((room - min(widest, 0.34 * room)) // least), len(content.columns)), 1)
    if fits < len(content.columns) and room - len(content.columns) * least >= 60:
        fits = len(content.columns)  # long names give way to a figure of one block
    names = min(max(widest, 30.0), room - fits * least)
    rows = _Rows(high=high, names=names, type_=type_, measure=measure)
    blocks = -(-len(content.columns) // fits)
    start = 0
    for number in range(blocks):
        each = (len(content.columns) - start) // (blocks - number)
        if (len(content.columns) - start) % (blocks - number):
            each += 1
        top = _block(scene, content, content.columns[start : start + each], each, rows, top) + 8
        start += each
    notes = [_key(content), *_flag_notes(content), *content.footnotes]
    scene.height = MARGIN + add_notes(scene, notes, top=top - 8, type_=type_, measure=measure)
    return scene


def _block(
    scene: Scene,
    content: InfluenceContent,
    columns: tuple[Diagnostic, ...],
    each: int,
    rows: _Rows,
    top: float,
) -> float:
    """Add the names and some of the diagnostics; return the bottom of their axes."""
    size = rows.type_.small
    wide = (scene.width - 2 * MARGIN - rows.names) / each - GAP
    lefts = [MARGIN + rows.names + GAP + number * (wide + GAP) for number in range(len(columns))]
    headings = [wrap(column.name, size, wide + GAP - 3, rows.measure, bold=True) for column in columns]
    deepest = max(map(len, headings)) * LEADING * size
    for lines, left in zip(headings, lefts, strict=True):
        scene.paragraph(
            lines,
            x=left,
            top=top + deepest - len(lines) * LEADING * size,
            size=size,
            bold=True,
            role="heading",
        )
    top += deepest + 3
    bottom = top + rows.high * len(content.studies)
    for number, name in enumerate(content.studies):
        flagged = bool(content.flagged[number])
        y = top + (number + 0.5) * rows.high
        text = shorten(clean_text(name), rows.type_.body, rows.names, rows.measure, bold=flagged)
        scene.paragraph(
            (text,), x=MARGIN, top=y - LEADING * rows.type_.body / 2, size=rows.type_.body, bold=flagged,
            role=f"study-{number}",
        )  # fmt: skip
        if flagged:
            ends = (lefts[0] - 4, scene.width - MARGIN + 2)
            high, low = top + number * rows.high, top + (number + 1) * rows.high
            box = ((ends[0], high), (ends[1], high), (ends[1], low), (ends[0], low))
            scene.shapes.append(Shape(points=box, face=style.BAND, order=0, role="flagged"))
    for column, left in zip(columns, lefts, strict=True):
        _column(scene, column, left, left + wide, top, bottom, rows)
    return bottom + 4 + LEADING * size


def _column(
    scene: Scene, column: Diagnostic, left: float, right: float, top: float, bottom: float, rows: _Rows
) -> None:
    """Add one diagnostic: thresholds dashed, a stem for each study, a diamond past a threshold."""
    near = [limit for limit in column.thresholds if _worth(column, limit)]
    size = rows.type_.small
    axis = plan_axis(
        "linear",
        studies=[],
        means=[(value, value, value) for value in (*column.values, column.start, *near)],
        null=None,
        label_width=lambda label: rows.measure(label, size, False),
        width=right - left,
    )
    panel = Panel(left=left, right=right, axis=axis)
    start = panel.x(column.start)
    scene.strokes.append(Stroke(points=((start, top), (start, bottom)), width=style.THIN, role="start"))
    scene.strokes.append(Stroke(points=((left, bottom), (right, bottom)), role="axis"))
    for limit in near:
        x = panel.x(limit)
        scene.strokes.append(
            Stroke(
                points=((x, top), (x, bottom)), colour=style.MEAN, dash=(3, 1.6), order=1.5, role="threshold"
            )
        )
    free = left - GAP / 2 + 1
    ticks = axis.ticks if len(axis.ticks) < 4 else (axis.ticks[0], axis.ticks[-1])
    for value, label in ticks:
        x, wide = panel.x(value), rows.measure(label, size, False)
        scene.strokes.append(Stroke(points=((x, bottom), (x, bottom + 3)), role="tick"))
        middle = min(max(x, left - GAP / 2 + 1 + wide / 2), right + GAP / 2 - 1 - wide / 2)
        if middle - wide / 2 >= free:  # a label pushed inwards from the edge may leave no room for the next
            scene.paragraph(
                (label,), x=middle, top=bottom + 3.5, size=size, align="center", role="tick-label"
            )
            free = middle + wide / 2 + 3
    for row, value in enumerate(column.values):
        y, x = top + (row + 0.5) * rows.high, panel.x(value)
        colour = style.MEAN if column.beyond(row) else style.STUDY_LINE
        if abs(x - start) > 0.3:
            scene.strokes.append(Stroke(points=((start, y), (x, y)), colour=colour, order=4, role="stem"))
        if column.beyond(row):
            scene.shapes.append(
                Shape(
                    points=((x - 3.4, y), (x, y - 3.4), (x + 3.4, y), (x, y + 3.4)), face=style.MEAN, order=5,
                    role="past-threshold",
                )
            )  # fmt: skip
        else:
            scene.bubbles.append(Bubble(x=x, y=y, area=9.0, edged=True, row=row))


def _worth(column: Diagnostic, limit: float) -> bool:
    """Return whether a threshold is near enough to the values to be drawn without crushing them."""
    reach = max((abs(value - column.start) for value in column.values), default=0.0)
    return abs(limit - column.start) <= 4 * reach


def _key(content: InfluenceContent) -> str:
    key = (
        "Residual: externally studentised. Each line begins at what would be seen if the study did "
        "nothing, and ends in a dot at the study’s value. "
        "τ² and Q without it begin at the values of all studies."
    )
    if any(column.thresholds for column in content.columns):
        key += (
            " Dashed: threshold from which a study is worth a look (left out where no study comes "
            "near it); diamond: "
            "past it. A threshold is a rule of thumb, no verdict."
        )
    return key


def _flag_notes(content: InfluenceContent) -> list[str]:
    named = [
        f"{study} ({', '.join(reasons)})"
        for study, reasons in zip(content.studies, content.flagged, strict=True)
        if reasons
    ]
    return [f"Worth a look: {'; '.join(named)}."] if named else ["No study passes a threshold."]
