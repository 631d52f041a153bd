"""The table of a forest plot: headings on a rule, and the words of each row on one middle line. Pure."""

from __future__ import annotations

from metakit.plots import style
from metakit.plots.footing import shown_unit
from metakit.plots.forests.columns import (
    GAUGE,
    breaks_words,
    estimate_lines,
    heading_lines,
    joined,
    label_lines,
    under_label,
)
from metakit.plots.forests.pen import Pen, RowKind, add_rule, place_row
from metakit.plots.forests.wording import NOT_ESTIMABLE, Words
from metakit.plots.gauges import BAR, draw_gauge
from metakit.plots.scene import LEADING, Line, Shape, Stroke
from metakit.plots.text import clean_text, wrap

MOST_LINES = 12
"""Lines that a name may take; what is longer still names a study no better."""


def add_headings(pen: Pen, top: float) -> float:
    """Add the column headings, standing on a rule; return where the rows may begin."""
    scene, columns, size = pen.layout.scene, pen.layout.columns, pen.type_.body
    content = pen.content
    room = columns.study[1] - columns.study[0]
    study = list(wrap(clean_text(content.row_heading), size, room, pen.measure, bold=True))
    named = len(study)
    if columns.stacked:
        for words in _narrow_headings(pen):
            study += wrap(words, pen.type_.small, room, pen.measure)
    level = f"{100 * content.level:.4g} % interval"
    room = columns.estimate[1] - columns.estimate[0]
    name = list(wrap(clean_text(content.estimate_heading), size, room, pen.measure, bold=True))
    unit_shown = shown_unit(content.unit, content.axis)
    unit = wrap(unit_shown, size, room, pen.measure) if unit_shown else ()
    estimate = [*name, *unit, *wrap(level, size, room, pen.measure)]
    estimate += ["weight"] if columns.weight_right else []
    # lines, how many of them are bold, place, whether they end there
    blocks = [(study, named, columns.study[0], False), (estimate, len(name), columns.estimate[1], True)]
    tall: list[int] = []
    for i, place in enumerate(columns.cells):
        if place is None:
            continue
        shown, cut = heading_lines(content.headings[i], place, type_=pen.type_, measure=pen.measure)
        to_right = content.place(i).align == "right"
        blocks.append((list(shown), len(shown), place[1] if to_right else place[0], to_right))
        tall.append(len(shown))
        if cut:
            pen.cut_headings.append(content.headings[i])
    if columns.weight is not None:
        blocks.append((["Weight", "%"], 1, columns.weight[1], True))
    line = LEADING * size
    height = max(len(lines) for lines, *_ in blocks) * line
    spanning = []
    for spanner in columns.spanners:
        wide = spanner.ends[1] - spanner.ends[0]
        lines = wrap(clean_text(spanner.text), size, wide, pen.measure, bold=True)
        below = max(tall[spanner.first : spanner.last + 1]) * line + 3
        spanning.append((spanner, lines, below))
        height = max(height, below + len(lines) * line)
    for spanner, lines, below in spanning:
        bottom = top + height - below
        scene.paragraph(
            lines, x=sum(spanner.ends) / 2, top=bottom - len(lines) * line, size=size, bold=True,
            align="center", role="heading",
        )  # fmt: skip
        scene.strokes.append(
            Stroke(
                points=((spanner.ends[0], bottom + 1), (spanner.ends[1], bottom + 1)), width=style.THIN,
                order=1, role="spanner",
            )
        )  # fmt: skip
    for texts, bold, x, to_right in blocks:
        start = top + height - len(texts) * line
        for i, text in enumerate(texts):
            quiet = i >= bold
            scene.lines.append(
                Line(
                    x=x, y=start + (i + 0.5) * line, text=text, size=size, bold=not quiet,
                    align="right" if to_right else "left", colour=style.QUIET if quiet else style.INK,
                    role="heading",
                )
            )  # fmt: skip
    top += height + 3
    add_rule(pen, top, style.INK)
    return top + 3


def _narrow_headings(pen: Pen) -> tuple[str, ...]:
    """Return the headings of what stands below stacked names; what two arms share is said once."""
    content, columns = pen.content, pen.layout.columns
    headings = tuple(map(clean_text, content.narrow_headings or content.headings))
    weight = "weight" if pen.wording.weighted and not columns.weight_right else ""
    if columns.versus:
        first, second = headings[0].split(), headings[1].split()
        same = 0
        while same < min(len(first), len(second)) - 1 and first[-1 - same] == second[-1 - same]:
            same += 1
        if same:
            arms = f"{' '.join(first[:-same])} v {' '.join(second[:-same])}:"
            rest = [" ".join(first[-same:]), *headings[2:], weight]
            return arms, " · ".join(part for part in rest if part)
    return joined((*headings, weight), columns.under, columns.versus)


def _own_lines(pen: Pen, label: tuple[str, ...], top: float, *, role: str, bold: bool) -> float:
    """Give a name lines of its own across the table, before paper where it crosses the picture."""
    scene, columns, size = pen.layout.scene, pen.layout.columns, pen.type_.body
    bottom = scene.paragraph(
        label, x=columns.study[0], top=top + 1, size=size, bold=bold, role=role, leading=pen.leading
    )
    end = columns.study[0] + max(pen.measure(line, size, bold) for line in label)
    if end > columns.panel[0]:
        scene.shapes.append(mask((columns.panel[0], end), top + 0.5, bottom))
    place_row(pen, "text", top, bottom)
    return bottom


def mask(ends: tuple[float, float], top: float, bottom: float) -> Shape:
    """Return a patch of paper behind words that cross the picture part."""
    corners = ((ends[0], top), (ends[1], top), (ends[1], bottom), (ends[0], bottom))
    return Shape(points=corners, face=style.PAPER, order=2.5, role="mask")


def add_table_row(
    pen: Pen, words: Words, top: float, *, kind: RowKind, study: int | None = None, bold: bool = False
) -> float:
    """Add the words of one row, all columns on one middle line, and return its bottom."""
    scene, columns, type_ = pen.layout.scene, pen.layout.columns, pen.type_
    label = label_lines(words, columns, type_=type_, measure=pen.measure, bold=bold, most=MOST_LINES)
    under = under_label(words, columns, type_=type_, measure=pen.measure)
    numbers = estimate_lines(words, columns, type_=type_, measure=pen.measure, bold=bold)
    quiet_from = len(numbers)
    if columns.weight_right and words.weight:
        numbers = (*numbers, f"{words.weight} %")
    line = pen.leading * type_.body
    role = f"study-{study}" if study is not None else kind
    if breaks_words(words, columns, type_=type_, measure=pen.measure, bold=bold):
        top, label = _own_lines(pen, label, top, role=role, bold=bold), ()
    # Rows of several lines keep apart, so that no interval is read as the next study's.
    apart = pen.pad if columns.one_line_estimate else max(pen.pad, 2.5 + 0.15 * line)
    height = max(len(label) + len(under), len(numbers)) * line + apart
    middle = top + height / 2

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
    block(numbers, columns.estimate[1], to_right=True, heavy=bold, quiet_from=quiet_from)
    for i, (cell, place) in enumerate(zip(words.cells, columns.cells, strict=False)):
        if place is None:
            continue
        left, right = place
        shown = pen.content.place(i)
        if shown.gauge and kind == "study" and cell:
            ends = (left, left + GAUGE)
            draw_gauge(
                scene, ends, pen.content.gauges.get(cell), middle - BAR / 2, style.STUDY_LINE,
                f"judged-{i}-{study}",
            )  # fmt: skip
        elif cell and not shown.gauge:
            to_right = shown.align == "right"
            block((cell,), right if to_right else left, to_right=to_right, heavy=bold)
    if columns.weight is not None and words.weight:
        block((words.weight,), columns.weight[1], to_right=True, heavy=bold)
    place_row(pen, kind, top, top + height, study)
    return top + height
