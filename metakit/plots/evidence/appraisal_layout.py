"""The pictures of the appraisal laid out at their final size: rows of gauges. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.plots import style
from metakit.plots.evidence.appraisal_content import (
    AppraisalBlock,
    AppraisalContent,
    AppraisalRow,
    Gauge,
    ShareCell,
    SharesContent,
)
from metakit.plots.footing import add_notes
from metakit.plots.forests.columns import GAP, MARGIN
from metakit.plots.gauges import BAR, draw_gauge
from metakit.plots.scene import LEADING, Scene, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap

BETWEEN = 4.0
"""Room between two columns of bars."""
WORDS_FROM = 36.0
"""Narrowest column in points that holds the words of a level below its bar."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Places of the columns in points: names, bars, the last column; with type and ruler."""

    names: tuple[float, float]
    columns: tuple[tuple[float, float], ...]
    last: tuple[float, float] | None
    type_: style.Type
    measure: TextWidth

    @property
    def words_fit(self) -> bool:
        """Whether the words of a level may stand below its bar."""
        return bool(self.columns) and self.columns[0][1] - self.columns[0][0] >= WORDS_FROM


def lay_out_appraisal(content: AppraisalContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out the judgements: a block an instrument, a row a study, a bar a domain, overall last."""
    type_ = style.type_for(style.check_width(width_mm))
    scene = Scene(width=width_mm * style.MM)
    top = _title(scene, content.title, type_, measure)
    for number, block in enumerate(content.blocks):
        top = _block(scene, block, number, type_, measure, top) + 8
    notes = [*_key(content), *content.footnotes]
    scene.height = MARGIN + add_notes(scene, notes, top=top, type_=type_, measure=measure)
    return scene


def lay_out_shares(content: SharesContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out the weights: a row an answer, a bar for the share of each concern."""
    type_ = style.type_for(style.check_width(width_mm))
    scene = Scene(width=width_mm * style.MM)
    top = _title(scene, content.title, type_, measure)
    grid = _grid(scene.width, len(content.concerns), None, 0.34, type_, measure)
    top, numbered = _headings(scene, grid, "Outcome", content.concerns, "", top)
    line = LEADING * type_.body
    for number, row in enumerate(content.rows):
        role = f"answer-{number}"
        label, about = _name(grid, row.label, row.about)
        below = max((len(_share_lines(grid, cell)) for cell in row.cells if cell), default=0)
        height = max((len(label) + len(about)) * line, BAR + 4 + below * LEADING * type_.small)
        start = scene.paragraph(label, x=grid.names[0], top=top, size=type_.body, role=role)
        scene.paragraph(about, x=grid.names[0], top=start, size=type_.body, colour=style.QUIET, role=role)
        for place, cell in zip(grid.columns, row.cells, strict=True):
            _share(scene, grid, place, cell, top + 3, role)
        top = _rule(scene, top + height + 3, f"{role}-rule")
    notes = ["Bar: share of the weight of the answer. In brackets: number of studies.", *numbered]
    scene.height = MARGIN + add_notes(
        scene, [*notes, *content.footnotes], top=top, type_=type_, measure=measure
    )
    return scene


def _title(scene: Scene, title: str, type_: style.Type, measure: TextWidth) -> float:
    if not title:
        return MARGIN
    lines = wrap(clean_text(title), type_.title, scene.width - 2 * MARGIN, measure, bold=True)
    return scene.paragraph(lines, x=MARGIN, top=MARGIN, size=type_.title, bold=True, role="title") + 5


def _grid(
    width: float, columns: int, last: float | None, names: float, type_: style.Type, measure: TextWidth
) -> _Grid:
    """Divide the width: names a fraction of it, the last column in points, bars in between alike."""
    start, end = MARGIN + names * width + GAP, width - MARGIN
    place = None
    if last is not None:
        place = (end - last, end)
        end -= last + 1.5 * BETWEEN
    step = (end - start + BETWEEN) / max(columns, 1)
    bars = tuple((start + i * step, start + (i + 1) * step - BETWEEN) for i in range(columns))
    return _Grid(
        names=(MARGIN, MARGIN + names * width), columns=bars, last=place, type_=type_, measure=measure
    )


def _headings(
    scene: Scene, grid: _Grid, names: str, labels: tuple[str, ...], last: str, top: float
) -> tuple[float, list[str]]:
    """Write the headings; where a word is wider than its column, numbers, and the list of what they mean."""
    type_, measure = grid.type_, grid.measure
    room = min(end - start for start, end in grid.columns)
    whole = all(
        measure(word, type_.small, True) <= room for label in labels for word in clean_text(label).split()
    )
    texts = [
        wrap(clean_text(label), type_.small, room, measure, bold=True) if whole else (str(number),)
        for number, label in enumerate(labels, 1)
    ]
    most = max(len(lines) for lines in texts)
    line = LEADING * type_.small
    for (start, _), lines in zip(grid.columns, texts, strict=True):
        scene.paragraph(
            lines, x=start, top=top + (most - len(lines)) * line, size=type_.small, bold=True, role="heading"
        )
    for text, place in ((names, grid.names), (last, grid.last)):
        if place is not None and text:
            scene.paragraph(
                (text,), x=place[0], top=top + (most - 1) * line, size=type_.small, bold=True, role="heading"
            )
    y = top + most * line + 3
    scene.strokes.append(
        Stroke(points=((MARGIN, y), (scene.width - MARGIN, y)), width=style.THIN, order=1, role="rule")
    )
    listed = [] if whole else ["; ".join(f"{number} {label}" for number, label in enumerate(labels, 1)) + "."]
    return y + 4, listed


def _block(
    scene: Scene, block: AppraisalBlock, number: int, type_: style.Type, measure: TextWidth, top: float
) -> float:
    room = scene.width - 2 * MARGIN
    lines = wrap(clean_text(block.label), type_.body, room, measure, bold=True)
    top = scene.paragraph(lines, x=MARGIN, top=top, size=type_.body, bold=True, role="group") + 1
    top = _ladder(scene, block.ladder, top, type_, measure) + 3
    wide = scene.width >= 110 * style.MM
    grid = _grid(scene.width, len(block.domains), 62 if wide else 52, 0.19 if wide else 0.25, type_, measure)
    top, numbered = _headings(scene, grid, "Study", block.domains, block.overall_heading, top)
    for place, row in enumerate(block.rows):
        top = _row(scene, grid, row, f"study-{number}-{place}", top)
    for text in numbered:
        lines = wrap(clean_text(text), type_.small, room, measure)
        top = scene.paragraph(
            lines, x=MARGIN, top=top + 1, size=type_.small, colour=style.QUIET, role="domains"
        )
    return top


def _ladder(
    scene: Scene, ladder: tuple[Gauge, ...], top: float, type_: style.Type, measure: TextWidth
) -> float:
    """Draw every level of the instrument with its word, in as many lines as they need."""
    line, sample = LEADING * type_.small, 22.0
    x = MARGIN
    for gauge in ladder:
        width = sample + 3 + measure(gauge.words, type_.small, False)
        if x > MARGIN and x + width > scene.width - MARGIN:
            x, top = MARGIN, top + line
        _bar(scene, (x, x + sample), gauge, top + line / 2 - BAR / 2, style.STUDY_LINE, "key")
        scene.paragraph((gauge.words,), x=x + sample + 3, top=top, size=type_.small, role="key")
        x += width + 10
    return top + line


def _name(grid: _Grid, label: str, about: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    room, size = grid.names[1] - grid.names[0], grid.type_.body
    lines = wrap(clean_text(label), size, room, grid.measure, most=3)
    return lines, wrap(clean_text(about), size, room, grid.measure, most=3) if about else ()


def _row(scene: Scene, grid: _Grid, row: AppraisalRow, role: str, top: float) -> float:
    type_ = grid.type_
    line = LEADING * type_.body
    label, about = _name(grid, row.study, row.about)
    start = scene.paragraph(label, x=grid.names[0], top=top, size=type_.body, role=role)
    scene.paragraph(about, x=grid.names[0], top=start, size=type_.body, colour=style.QUIET, role=role)
    bottoms = [top + (len(label) + len(about)) * line]
    bars = top + 3
    for place, gauge in zip(grid.columns, row.gauges, strict=True):
        if gauge is not None:
            _bar(scene, place, gauge, bars, style.STUDY_LINE, role)
        bottoms.append(bars + BAR)
        if grid.words_fit:
            words = gauge.words if gauge is not None else "not judged"
            bottoms.append(_words(scene, grid, place, words, bars + BAR + 1, role))
    if grid.last is not None:
        below = bars
        if row.overall is not None:
            _bar(scene, grid.last, row.overall, bars, style.MEAN, f"{role}-overall")
            below = bars + BAR + 1
        below = _words(scene, grid, grid.last, row.overall_words, below, role, bold=True)
        for remark in row.remarks:
            below = _words(scene, grid, grid.last, remark, below, role, quiet=True)
        bottoms.append(below)
    return _rule(scene, max(bottoms) + 2.5, f"{role}-rule")


def _words(
    scene: Scene, grid: _Grid, place: tuple[float, float], text: str, top: float, role: str,
    *, bold: bool = False, quiet: bool = False,
) -> float:  # fmt: skip
    size = grid.type_.small
    lines = wrap(clean_text(text), size, place[1] - place[0], grid.measure, bold=bold, most=5)
    colour = style.QUIET if quiet else style.INK
    return scene.paragraph(
        lines, x=place[0], top=top, size=size, bold=bold, colour=colour, role=role, leading=1.15
    )


def _bar(scene: Scene, place: tuple[float, float], gauge: Gauge, top: float, colour: str, role: str) -> None:
    draw_gauge(scene, place, gauge.fill, top, colour, role, asked=gauge.asked)


def _share(
    scene: Scene, grid: _Grid, place: tuple[float, float], cell: ShareCell | None, top: float, role: str
) -> None:
    if cell is None:
        return
    below, size = top, grid.type_.small
    if cell.weight is not None:
        _bar(scene, place, Gauge(words="", fill=cell.weight), top, style.STUDY_LINE, role)
        below = top + BAR + 1
    scene.paragraph(_share_lines(grid, cell), x=place[0], top=below, size=size, role=role, leading=1.15)


def _share_lines(grid: _Grid, cell: ShareCell) -> tuple[str, ...]:
    """Write share and number of studies, in one line where they fit."""
    line = f"{cell.percent} ({cell.studies})".strip()
    start, end = grid.columns[0]
    fits = not cell.percent or grid.measure(line, grid.type_.small, False) <= end - start
    return (line,) if fits else (cell.percent, f"({cell.studies})")


def _rule(scene: Scene, y: float, role: str) -> float:
    scene.strokes.append(
        Stroke(
            points=((MARGIN, y), (scene.width - MARGIN, y)), width=style.THIN, colour=style.HAIRLINE, order=1,
            role=role,
        )
    )  # fmt: skip
    return y + 3


def _key(content: AppraisalContent) -> list[str]:
    """Say what the marks and remarks mean, for those that were drawn."""
    rows = [row for block in content.blocks for row in block.rows]
    gauges = [gauge for block in content.blocks for gauge in block.ladder]
    gauges_or_none = [*gauges, *(gauge for row in rows for gauge in row.gauges)]
    remarks = {remark.partition(":")[0] for row in rows for remark in row.remarks}
    parts = ["The longer the bar, the more concern about bias."]
    if any(gauge is not None and gauge.asked and gauge.fill is None for gauge in gauges_or_none):
        parts.append("Dashed track: not known.")
    if any(gauge is not None and not gauge.asked for gauge in gauges_or_none):
        parts.append("Dash: not asked of this study.")
    if any(gauge is None for gauge in gauges_or_none):
        parts.append("Empty: not judged.")
    if "rule" in remarks:
        parts.append("Rule: the level that the instrument's rule proposes, where a person changed it.")
    if "not confirmed" in remarks:
        parts.append("Not confirmed: proposed by the rule, not yet judged by a person.")
    return [" ".join(parts)]
