"""A forest plot laid out: rows from top to bottom, then axis, directions, spread, key and notes. Pure."""

from __future__ import annotations

import math

from metakit.plots import style
from metakit.plots.footing import add_axis, add_directions, add_notes, axis_name, forest_notes
from metakit.plots.forests.columns import MARGIN, group_label_lines, plan_columns
from metakit.plots.forests.content import ForestContent, ForestSummary, LimitSide
from metakit.plots.forests.pen import Layout, Pen, add_rule, place_row
from metakit.plots.forests.table_rows import add_headings, add_table_row, mask
from metakit.plots.forests.wording import Words, word_everything
from metakit.plots.look import current
from metakit.plots.marks import Panel, limit_mark, mean_mark, prediction_mark, study_mark
from metakit.plots.scale import Interval, plan_axis
from metakit.plots.scene import LEADING, Scene, Shape
from metakit.plots.text import TextWidth, clean_text, wrap

TALLEST = 235 * style.MM
"""Above this height rows move closer together and type goes down to its smallest."""
SMALLEST_BUBBLE = math.pi / 4 * 2.4**2
"""Area in square points below which a bubble is no mark."""


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
        layout = _lay_out(
            content, width_mm * style.MM, style.at_least(style.NARROW), measure, leading=1.2, pad=0.0
        )
    return layout


def _lay_out(
    content: ForestContent, width: float, type_: style.Type, measure: TextWidth, *, leading: float, pad: float
) -> Layout:
    wording = word_everything(content)
    columns = plan_columns(content, wording, width=width, type_=type_, measure=measure)
    left, right = columns.panel
    whole = content.part_of or content
    known = [row.interval for row in whole.rows if row.interval is not None]
    known += [_room_of(*row.limit) for row in whole.rows if row.limit is not None]
    # A prediction interval from few studies may be far wider than all else: it may leave the axis, too.
    known += [(mean.estimate, *mean.prediction) for mean in whole.summaries if mean.prediction is not None]
    axis = plan_axis(
        content.axis,
        studies=known,
        means=[(mean.estimate, mean.lower, mean.upper) for mean in whole.summaries],
        null=content.null,
        label_width=lambda label: measure(label, type_.small, False),
        width=right - left,
        limits=content.limits,
        hand_ticks=content.ticks,
    )
    layout = Layout(scene=Scene(width=width), panel=Panel(left=left, right=right, axis=axis), columns=columns)
    heaviest = max((row.weight or 0.0 for row in whole.rows), default=0.0)
    pen = Pen(
        content=content, wording=wording, layout=layout, type_=type_, measure=measure, leading=leading,
        pad=pad, largest=heaviest,
    )  # fmt: skip
    top = MARGIN
    if content.title and not current().caption:
        lines = wrap(clean_text(content.title), type_.title, width - 2 * MARGIN, measure, bold=True)
        top = layout.scene.paragraph(lines, x=MARGIN, top=top, size=type_.title, bold=True, role="title") + 5
    top = add_headings(pen, top)
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
    bottom = _spread(pen, bottom)
    notes = forest_notes(content, wording, layout.scene)
    notes += [f"Heading in full: {heading}." for heading in pen.cut_headings]
    layout.scene.height = MARGIN + add_notes(layout.scene, notes, top=bottom, type_=type_, measure=measure)
    return layout


def _room_of(side: LimitSide, value: float) -> Interval:
    """Return what the axis shall show of a limit without an estimate: a factor of 4 beyond it."""
    return (value, value / 4, value) if side == "upper" else (value, value, 4 * value)


def _groups(pen: Pen, top: float) -> float:
    content, layout, size = pen.content, pen.layout, pen.type_.body
    study = 0
    for index, group in enumerate(content.groups):
        if index:
            top += 3 + pen.pad
        if group.label:
            lines = group_label_lines(group, layout.scene.width, pen.type_, pen.measure)
            end = layout.scene.paragraph(lines, x=MARGIN, top=top + 1, size=size, bold=True, role="group") + 2
            place_row(pen, "group", top, end)
            if max(pen.measure(line, size, True) for line in lines) > layout.panel.left - MARGIN:
                layout.scene.shapes.append(mask((layout.panel.left, layout.panel.right), top + 0.5, end))
            top = end
        start = top
        for row in group.rows:
            words = pen.wording.studies[study]
            top = add_table_row(pen, words, top, kind="study", study=study)
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
            elif row.limit is not None:
                limit_mark(layout.scene, layout.panel, *row.limit, y=layout.rows[-1].middle, row=study)
            study += 1
        words_of_mean = pen.wording.group_means[index]
        if group.summary is not None and words_of_mean is not None:
            top = _mean_rows(pen, group.summary, words_of_mean, index, start, top, overall=False)
    return top


def _area(pen: Pen, weight: float | None) -> float:
    """Return a bubble's area in square points, in proportion to the weight; the heaviest fills its row."""
    diameter = min(9.0, pen.type_.body * pen.leading - 0.4)
    full = math.pi / 4 * diameter**2
    if weight is None or pen.largest <= 0:
        return 0.35 * full
    return max(full * weight / pen.largest, SMALLEST_BUBBLE)


def _overall(pen: Pen, top: float) -> float:
    content = pen.content
    if content.summary is None or pen.wording.mean is None:
        return top
    first = next((row.top for row in pen.layout.rows if row.kind == "study"), top)
    if len(content.groups) > 1:
        top += 3
        add_rule(pen, top, style.HAIRLINE)
        top += 2
    lone = all(group.summary is None for group in content.groups)
    start = first if lone else top
    return _mean_rows(pen, content.summary, pen.wording.mean, len(content.groups), start, top, overall=True)


def _mean_rows(
    pen: Pen, mean: ForestSummary, words: Words, index: int, start: float, top: float, *, overall: bool
) -> float:
    """Add a mean with diamond and prediction interval; shade its interval behind its rows."""
    scene, panel = pen.layout.scene, pen.layout.panel
    role = "mean-overall" if overall else f"mean-{index}"
    top = add_table_row(pen, words, top + 2, kind="mean", bold=True)
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
        top = add_table_row(pen, prediction, top, kind="prediction")
        prediction_mark(
            scene, panel, *mean.prediction, y=pen.layout.rows[-1].middle, role=f"{role}-prediction"
        )
    return top


def _spread(pen: Pen, top: float) -> float:
    """Say below the axis how much studies differ, for each mean, and whether groups do."""
    content, scene, size = pen.content, pen.layout.scene, pen.type_.small
    named = [(f"mean-{i}-text", group.label, group.summary) for i, group in enumerate(content.groups)]
    several = any(summary is not None for *_, summary in named)
    named.append(("mean-overall-text", "All studies" if several else "", content.summary))
    said = [
        (role, f"{label}: {summary.text}" if label else summary.text)
        for role, label, summary in named
        if summary is not None and summary.text
    ]
    said += [("between", content.between)] if content.between else []
    for number, (role, text) in enumerate(said):
        start = top + (5 if number == 0 else 1)
        lines = wrap(clean_text(text), size, scene.width - 2 * MARGIN, pen.measure)
        top = scene.paragraph(lines, x=MARGIN, top=start, size=size, role=role, leading=LEADING)
        place_row(pen, "text", start, top)
    return top
