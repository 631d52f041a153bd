"""A forest plot laid out: rows from top to bottom, then axis, directions, key and notes. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from metakit.plots import style
from metakit.plots.footing import add_axis, add_directions, add_notes, axis_name, forest_notes, shown_unit
from metakit.plots.forests.columns import (
    MARGIN,
    NOT_ESTIMABLE,
    Columns,
    Wording,
    Words,
    estimate_lines,
    group_label_lines,
    heading_lines,
    label_lines,
    plan_columns,
    under_label,
    word_everything,
)
from metakit.plots.forests.content import ForestContent, ForestSummary
from metakit.plots.marks import Panel, mean_mark, prediction_mark, study_mark
from metakit.plots.scale import plan_axis
from metakit.plots.scene import LEADING, Line, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap

TALLEST = 235 * style.MM
"""Above this height rows move closer together and type goes down to its smallest."""

RowKind = Literal["study", "group", "mean", "prediction", "text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedRow:
    """One row of the figure: its integer id from the top, its kind, and where it lies."""

    id: int
    kind: RowKind
    top: float
    bottom: float
    study: int | None = None

    @property
    def middle(self) -> float:
        """Height of the row's marks."""
        return (self.top + self.bottom) / 2


@dataclass(slots=True, kw_only=True)
class Layout:
    """A laid-out forest plot."""

    scene: Scene
    panel: Panel
    columns: Columns
    rows: list[PlacedRow] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pen:
    """What every step of the layout needs; `cut_headings` gathers those to tell in full below."""

    content: ForestContent
    wording: Wording
    layout: Layout
    type_: style.Type
    measure: TextWidth
    leading: float
    pad: float
    largest: float
    cut_headings: list[str] = field(default_factory=list)


def lay_out(content: ForestContent, *, width_mm: float, measure: TextWidth) -> Layout:
    """Lay out a forest plot at its final size.

    Parameters
    ----------
    content : ForestContent
        What it shows.
    width_mm : float
        Final width, 80 to 400 mm.
    measure : callable
        Width in points of a line of text, given size and boldness.
    """
    type_ = style.type_for(style.check_width(width_mm))
    layout = _lay_out(content, width_mm * style.MM, type_, measure, leading=LEADING, pad=3.2)
    if layout.scene.height > TALLEST:
        layout = _lay_out(content, width_mm * style.MM, style.NARROW, measure, leading=1.2, pad=0.0)
    return layout


def _lay_out(
    content: ForestContent, width: float, type_: style.Type, measure: TextWidth, *, leading: float, pad: float
) -> Layout:
    wording = word_everything(content)
    columns = plan_columns(content, wording, width=width, type_=type_, measure=measure)
    left, right = columns.panel
    whole = content.part_of or content
    known = [row.interval for row in whole.rows if row.interval is not None]
    # A prediction interval from few studies may be far wider than all else: it may leave the axis, too.
    known += [(mean.estimate, *mean.prediction) for mean in whole.summaries if mean.prediction is not None]
    axis = plan_axis(
        content.axis,
        studies=known,
        means=[(mean.estimate, mean.lower, mean.upper) for mean in whole.summaries],
        null=content.null,
        label_width=lambda label: measure(label, type_.small, False),
        width=right - left,
    )
    layout = Layout(scene=Scene(width=width), panel=Panel(left=left, right=right, axis=axis), columns=columns)
    heaviest = max((row.weight or 0.0 for row in whole.rows), default=0.0)
    pen = _Pen(
        content=content, wording=wording, layout=layout, type_=type_, measure=measure, leading=leading,
        pad=pad, largest=heaviest,
    )  # fmt: skip
    top = MARGIN
    if content.title:
        lines = wrap(clean_text(content.title), type_.title, width - 2 * MARGIN, measure, bold=True)
        top = layout.scene.paragraph(lines, x=MARGIN, top=top, size=type_.title, bold=True, role="title") + 5
    top = _headings(pen, top)
    first = top
    top = _groups(pen, top)
    top = _overall(pen, top)
    name = axis_name(content.estimate_heading, content.unit, content.axis)
    bottom = add_axis(
        layout.scene,
        layout.panel,
        null=content.null,
        name=name,
        top=first,
        bottom=top + 5,
        type_=type_,
        measure=measure,
    )
    bottom = add_directions(
        layout.scene, layout.panel, null=content.null, left_words=content.left_words,
        right_words=content.right_words, top=bottom, type_=type_, measure=measure,
    )  # fmt: skip
    notes = forest_notes(content, wording, layout.scene)
    notes += [f"Heading in full: {heading}." for heading in pen.cut_headings]
    layout.scene.height = MARGIN + add_notes(layout.scene, notes, top=bottom, type_=type_, measure=measure)
    return layout


def _headings(pen: _Pen, top: float) -> float:
    """Add the column headings, standing on a rule."""
    scene, columns, size = pen.layout.scene, pen.layout.columns, pen.type_.body
    content = pen.content
    room = columns.study[1] - columns.study[0]
    study = list(wrap(clean_text(content.row_heading), size, room, pen.measure, bold=True))
    named = len(study)
    if columns.stacked and any(content.headings):
        joint = " v " if len(content.headings) == 2 else ", "
        under = joint.join(clean_text(heading) for heading in content.headings)
        study += wrap(
            under + (" · weight" if pen.wording.weighted else ""), pen.type_.small,
            columns.study[1] - columns.study[0], pen.measure,
        )  # fmt: skip
    elif columns.stacked and pen.wording.weighted:
        study.append("weight")
    level = f"{100 * content.level:.4g} % interval"
    room = columns.estimate[1] - columns.estimate[0]
    name = list(wrap(clean_text(content.estimate_heading), size, room, pen.measure, bold=True))
    unit_shown = shown_unit(content.unit, content.axis)
    unit = wrap(unit_shown, size, room, pen.measure) if unit_shown else ()
    estimate = [*name, *unit, *wrap(level, size, room, pen.measure)]
    # lines, how many of them are bold, place, whether they end there
    blocks = [(study, named, columns.study[0], False), (estimate, len(name), columns.estimate[1], True)]
    for heading, (start, end) in zip(content.headings, columns.cells, strict=False):
        shown, cut = heading_lines(heading, (start, end), type_=pen.type_, measure=pen.measure)
        blocks.append((list(shown), len(shown), end, True))
        if cut:
            pen.cut_headings.append(heading)
    if columns.weight is not None:
        blocks.append((["Weight", "%"], 1, columns.weight[1], True))
    height = max(len(lines) for lines, *_ in blocks) * LEADING * size
    for lines, bold, x, to_right in blocks:
        start = top + height - len(lines) * LEADING * size
        for i, text in enumerate(lines):
            quiet = i >= bold
            scene.lines.append(
                Line(
                    x=x, y=start + (i + 0.5) * LEADING * size, text=text, size=size, bold=not quiet,
                    align="right" if to_right else "left", colour=style.QUIET if quiet else style.INK,
                    role="heading",
                )
            )  # fmt: skip
    top += height + 3
    _rule(pen, top, style.INK)
    return top + 3


def _rule(pen: _Pen, y: float, colour: str) -> None:
    width = pen.layout.scene.width
    pen.layout.scene.strokes.append(
        Stroke(
            points=((MARGIN, y), (width - MARGIN, y)), width=style.THIN, colour=colour, order=1, role="rule"
        )
    )


def _groups(pen: _Pen, top: float) -> float:
    content, layout, size = pen.content, pen.layout, pen.type_.body
    study = 0
    for index, group in enumerate(content.groups):
        if index:
            top += 3 + pen.pad
        if group.label:
            lines = group_label_lines(group, layout.scene.width, pen.type_, pen.measure)
            end = layout.scene.paragraph(lines, x=MARGIN, top=top + 1, size=size, bold=True, role="group") + 2
            _place(pen, "group", top, end)
            if max(pen.measure(line, size, True) for line in lines) > layout.panel.left - MARGIN:
                layout.scene.shapes.append(_mask(layout.panel, top + 0.5, end))
            top = end
        start = top
        for row in group.rows:
            words = pen.wording.studies[study]
            top = _table_row(pen, words, top, kind="study", study=study)
            if row.interval is not None and row.pooled:
                mean_mark(
                    layout.scene, layout.panel, row.interval, y=layout.rows[-1].middle, role=f"study-{study}",
                    overall=False,
                )  # fmt: skip
            elif row.interval is not None:
                outside = row.weight is None and pen.wording.weighted
                study_mark(
                    layout.scene, layout.panel, row.interval, y=layout.rows[-1].middle, row=study,
                    area=_area(pen, row.weight), hollow=outside,
                )  # fmt: skip
            study += 1
        words_of_mean = pen.wording.group_means[index]
        if group.summary is not None and words_of_mean is not None:
            top = _mean_rows(pen, group.summary, words_of_mean, index, start, top, overall=False)
    return top


def _area(pen: _Pen, weight: float | None) -> float:
    """Return a bubble's area in square points, in proportion to the weight; the heaviest fills its row."""
    diameter = min(9.0, pen.type_.body * pen.leading - 0.4)
    full = 3.141592653589793 / 4 * diameter**2
    if weight is None or pen.largest <= 0:
        return 0.35 * full
    return full * weight / pen.largest


def _overall(pen: _Pen, top: float) -> float:
    content = pen.content
    if content.summary is None or pen.wording.mean is None:
        return top
    first = next((row.top for row in pen.layout.rows if row.kind == "study"), top)
    if len(content.groups) > 1:
        top += 3
        _rule(pen, top, style.HAIRLINE)
        top += 2
    lone = all(group.summary is None for group in content.groups)
    start = first if lone else top
    return _mean_rows(pen, content.summary, pen.wording.mean, len(content.groups), start, top, overall=True)


def _mean_rows(
    pen: _Pen, mean: ForestSummary, words: Words, index: int, start: float, top: float, *, overall: bool
) -> float:
    """Add a mean with diamond, prediction interval and sentence; shade its interval behind its rows."""
    scene, panel = pen.layout.scene, pen.layout.panel
    role = "mean-overall" if overall else f"mean-{index}"
    top = _table_row(pen, words, top + 2, kind="mean", bold=True)
    interval = (mean.estimate, mean.lower, mean.upper)
    mean_mark(scene, panel, interval, y=pen.layout.rows[-1].middle, role=role, overall=overall)
    band = (panel.x(mean.lower), panel.x(mean.upper))
    scene.shapes.append(
        Shape(
            points=((band[0], start), (band[1], start), (band[1], top), (band[0], top)),
            face=style.BAND, order=0,
            role=f"{role}-band",
        )
    )  # fmt: skip
    prediction = pen.wording.predictions.get(index)
    if prediction is not None and mean.prediction is not None:
        top = _table_row(pen, prediction, top, kind="prediction")
        prediction_mark(
            scene, panel, *mean.prediction, y=pen.layout.rows[-1].middle, role=f"{role}-prediction"
        )
    if mean.text:
        lines = wrap(clean_text(mean.text), pen.type_.small, scene.width - 2 * MARGIN, pen.measure)
        end = scene.paragraph(
            lines, x=MARGIN, top=top + 1, size=pen.type_.small, colour=style.QUIET, role=f"{role}-text",
            leading=pen.leading,
        )  # fmt: skip
        _place(pen, "text", top, end)
        scene.shapes.append(_mask(panel, top + 0.5, end))
        top = end
    return top


def _mask(panel: Panel, top: float, bottom: float) -> Shape:
    """Return a patch of paper behind a sentence that crosses the picture part."""
    corners = ((panel.left, top), (panel.right, top), (panel.right, bottom), (panel.left, bottom))
    return Shape(points=corners, face=style.PAPER, order=2.5, role="mask")


def _place(pen: _Pen, kind: RowKind, top: float, bottom: float, study: int | None = None) -> None:
    rows = pen.layout.rows
    rows.append(PlacedRow(id=len(rows), kind=kind, top=top, bottom=bottom, study=study))


def _table_row(
    pen: _Pen, words: Words, top: float, *, kind: RowKind, study: int | None = None, bold: bool = False
) -> float:
    """Add the words of one row, all columns on one middle line, and return its bottom."""
    scene, columns, type_ = pen.layout.scene, pen.layout.columns, pen.type_
    most = 3 if kind == "study" else 5
    label = label_lines(words, columns, type_=type_, measure=pen.measure, bold=bold, most=most)
    under = under_label(words, columns, type_=type_, measure=pen.measure)
    numbers = estimate_lines(words, columns, type_=type_, measure=pen.measure, bold=bold)
    line = pen.leading * type_.body
    height = max(len(label) + len(under), len(numbers)) * line + (
        max(pen.pad, 2.5) if columns.stacked else pen.pad
    )
    middle = top + height / 2
    role = f"study-{study}" if study is not None else kind

    def block(texts: tuple[str, ...], x: float, *, to_right: bool, heavy: bool, quiet_from: int = 99) -> None:
        first = middle - len(texts) * line / 2
        for i, text in enumerate(texts):
            quiet = i >= quiet_from or words.estimate == NOT_ESTIMABLE
            scene.lines.append(
                Line(
                    x=x, y=first + (i + 0.5) * line, text=text, size=type_.body,
                    bold=heavy and i < quiet_from, align="right" if to_right else "left",
                    colour=style.QUIET if quiet else style.INK, role=role,
                )
            )  # fmt: skip

    block((*label, *under), columns.study[0], to_right=False, heavy=bold, quiet_from=len(label))
    block(numbers, columns.estimate[1], to_right=True, heavy=bold)
    for cell, (_, end) in zip(words.cells, columns.cells, strict=False):
        if cell:
            block((cell,), end, to_right=True, heavy=bold)
    if columns.weight is not None and words.weight:
        block((words.weight,), columns.weight[1], to_right=True, heavy=bold)
    _place(pen, kind, top, top + height, study)
    return top + height
