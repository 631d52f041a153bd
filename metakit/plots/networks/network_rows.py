"""Rows of a network picture laid out: a label, marks over one axis, numbers in full. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.written import Axis
from metakit.plots import style
from metakit.plots.footing import add_axis, add_directions, add_notes
from metakit.plots.forests.columns import GAP, MARGIN
from metakit.plots.frame import start_scene
from metakit.plots.marks import Panel
from metakit.plots.networks.network_marks import EstimateMark, Mark, draw_mark
from metakit.plots.scale import AxisPlan, Interval, plan_axis
from metakit.plots.scene import LEADING, Scene, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap

MOST_LINES = 3
"""Lines of a label; a longer one is cut and stands whole in the table beside the figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkRow:
    """One row: its label, quiet words below it, numbers as lines (the first one bold), and its marks."""

    label: str
    quiet: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RowsContent:
    """Everything that a picture of rows shows; numbers in natural units.

    `places` makes the axis one of places from 1 to this number instead of one of effects. `label_heading`
    stands above the labels, `numbers_heading` above the numbers.
    """

    title: str
    rows: tuple[NetworkRow, ...]
    label_heading: str
    numbers_heading: tuple[str, ...]
    axis_name: str
    axis: Axis = "linear"
    null: float | None = None
    places: int = 0
    mark_height: float = 2 * 4.2
    left_words: str = ""
    right_words: str = ""
    notes: tuple[str, ...] = ()


def lay_out_rows(content: RowsContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out a picture of rows at its final size."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    line = LEADING * type_.body
    numbers = max(
        (
            measure(text, type_.body, number == 0)
            for lines in (content.numbers_heading, *(row.numbers for row in content.rows))
            for number, text in enumerate(lines)
        ),
        default=0.0,
    )
    numbers = min(numbers, 0.34 * scene.width)
    label = (0.30 if type_ is style.WIDE else 0.34) * scene.width
    end = scene.width - MARGIN
    left, right = MARGIN + label + GAP, end - numbers - GAP - 2
    axis = _axis(content, right - left, type_, measure)
    panel = Panel(left=left, right=right, axis=axis)
    top = _headings(scene, content, label, end, numbers, top, type_, measure)
    first = top
    for number, row in enumerate(content.rows):
        names = wrap(clean_text(row.label), type_.body, label, measure, most=MOST_LINES)
        quiet = tuple(
            part for text in row.quiet if text for part in wrap(clean_text(text), type_.small, label, measure)
        )
        figures = tuple(
            part
            for place, text in enumerate(row.numbers)
            for part in wrap(text, type_.body, numbers, measure, bold=place == 0)
        )
        height = 6 + max(line * (len(names) + len(quiet)), line * len(figures), content.mark_height)
        middle = top + height / 2
        role = f"row-{number}"
        start = middle - line * (len(names) + len(quiet)) / 2
        start = scene.paragraph(names, x=MARGIN, top=start, size=type_.body, role=role)
        scene.paragraph(
            quiet, x=MARGIN, top=start, size=type_.small, colour=style.QUIET, role=role,
            leading=LEADING * type_.body / type_.small,
        )  # fmt: skip
        start = middle - line * len(figures) / 2
        bold = 1 if figures else 0
        scene.paragraph(
            figures[:bold], x=end, top=start, size=type_.body, bold=True, align="right", role=role
        )
        scene.paragraph(figures[bold:], x=end, top=start + line, size=type_.body, align="right", role=role)
        for mark in row.marks:
            draw_mark(scene, panel, mark, middle, role)
        top += height
        if number + 1 < len(content.rows):
            scene.strokes.append(
                Stroke(points=((MARGIN, top), (end, top)), width=style.THIN, colour=style.HAIRLINE, order=0.5,
                       role="rule")
            )  # fmt: skip
    below = add_axis(
        scene, panel, null=content.null, name=content.axis_name, top=first, bottom=top + 2, type_=type_,
        measure=measure,
    )  # fmt: skip
    below = add_directions(
        scene, panel, null=content.null, left_words=content.left_words, right_words=content.right_words,
        top=below, type_=type_, measure=measure,
    )  # fmt: skip
    notes = list(content.notes)
    if any("-arrow-" in shape.role for shape in scene.shapes):
        notes.append("Arrow head: goes on beyond the axis.")
    scene.height = MARGIN + add_notes(scene, notes, top=below, type_=type_, measure=measure)
    return scene


def _headings(
    scene: Scene,
    content: RowsContent,
    label: float,
    end: float,
    numbers: float,
    top: float,
    type_: style.Type,
    measure: TextWidth,
) -> float:
    names = wrap(clean_text(content.label_heading), type_.body, label, measure, bold=True)
    figures = [
        (part, place == 0)
        for place, text in enumerate(content.numbers_heading)
        for part in wrap(text, type_.body, numbers, measure, bold=place == 0)
    ]
    deep = max(len(names), len(figures))
    line = LEADING * type_.body
    scene.paragraph(
        ("",) * (deep - len(names)) + names, x=MARGIN, top=top, size=type_.body, bold=True, role="heading"
    )
    for place, (text, bold) in enumerate(figures):
        scene.paragraph(
            (text,), x=end, top=top + line * (deep - len(figures) + place), size=type_.body, bold=bold,
            colour=style.INK if bold else style.QUIET, align="right", role="heading",
        )  # fmt: skip
    y = top + deep * line + 3
    scene.strokes.append(
        Stroke(points=((MARGIN, y), (scene.width - MARGIN, y)), width=style.THIN, order=1, role="rule")
    )
    return y + 2


def _axis(content: RowsContent, width: float, type_: style.Type, measure: TextWidth) -> AxisPlan:
    if content.places:
        step = next(
            step
            for step in (1, 2, 5, 10, 20, 50, 100)
            if content.places / step * (measure("00", type_.small, False) + 5) <= width
        )
        ticks = tuple((float(place), str(place)) for place in range(1, content.places + 1, step))
        return AxisPlan(kind="linear", low=0.4, high=content.places + 0.6, ticks=ticks)
    marks = [mark for row in content.rows for mark in row.marks if isinstance(mark, EstimateMark)]
    shown: list[Interval] = [mark.interval for mark in marks]
    shown += [(mark.interval[0], *mark.prediction) for mark in marks if mark.prediction is not None]
    return plan_axis(
        content.axis, studies=shown, null=content.null,
        label_width=lambda label: measure(label, type_.small, False), width=width,
    )  # fmt: skip
