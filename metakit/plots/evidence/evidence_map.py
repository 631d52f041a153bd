"""What was studied and what was not: options against outcomes, a square and words a cell. Pure layout.

The area of a square grows with the thumbs; a full square holds a comparison within studies, a hollow one only
arms that nobody set against another option. An empty cell says `no study`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from metakit.plots import style
from metakit.plots.footing import add_notes
from metakit.plots.forests.columns import GAP, MARGIN
from metakit.plots.frame import start_scene
from metakit.plots.scene import LEADING, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap
from metakit.synthesis.returning.trouble_findings import EvidenceCell, SourceFinding

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LARGEST = 13.0
"""Side in points of the square with most thumbs."""
SMALLEST = 3.0
WORDS_FROM = 44.0
"""Narrowest column in points that holds the words of a cell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCell:
    """One cell: thumbs for the square, whether studies compare within themselves, and words.

    `short` is for columns too narrow for words: studies, thumbs.
    """

    thumbs: int
    compared: bool
    words: tuple[str, ...]
    short: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MapContent:
    """One source of trouble: rows of options, columns of outcomes; a cell of None was never studied."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[MapCell | None, ...]], ...]


def map_content(source: SourceFinding, labels: dict[str, str], certainty: dict[str, str]) -> MapContent:
    """Return the map of one source.

    Parameters
    ----------
    source : SourceFinding
    labels : dict of str to str
        Name of each outcome as shown.
    certainty : dict of str to str
        Certainty of the comparison behind an option and outcome, by `option/outcome`; missing where none.
    """
    outcomes = tuple(source.rows[0].cells) if source.rows else ()
    return MapContent(
        title=source.label,
        columns=tuple(labels[outcome] for outcome in outcomes),
        rows=tuple(
            (
                row.label,
                tuple(
                    _cell(row.cells[outcome], certainty.get(f"{row.option}/{outcome}", ""))
                    for outcome in outcomes
                ),
            )
            for row in source.rows
        ),
    )


def _cell(cell: EvidenceCell | None, certainty: str) -> MapCell | None:
    if cell is None:
        return None
    words = (f"{len(cell.studies)} ({cell.randomised} rand.)", f"{cell.thumbs} thumbs")
    return MapCell(
        thumbs=cell.thumbs,
        compared=bool(cell.comparing),
        words=(*words, certainty) if certainty else words,
        short=(str(len(cell.studies)), str(cell.thumbs)),
    )


def lay_out_map(content: MapContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out the map of one source at its final size."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    names = (0.22 if type_ is style.WIDE else 0.26) * scene.width
    start = MARGIN + names + GAP
    width = (scene.width - MARGIN - start) / max(len(content.columns), 1)
    room = width - 4
    headings, numbered = _headings(content.columns, room, type_, measure)
    line, small = LEADING * type_.body, LEADING * type_.small
    deep = max((len(lines) for lines in headings), default=1)
    for place, lines in enumerate(headings):
        scene.paragraph(
            lines, x=start + place * width, top=top + (deep - len(lines)) * small, size=type_.small,
            bold=True, role="heading",
        )  # fmt: skip
    top += deep * small + 3
    _rule(scene, top)
    most = max((cell.thumbs for _, cells in content.rows for cell in cells if cell), default=1)
    for number, (label, cells) in enumerate(content.rows):
        role = f"row-{number}"
        name = wrap(clean_text(label), type_.body, names, measure, most=3)
        if not any(cells):
            cells = cells[:1]  # nothing at all: said once, over the whole row
        texts = [_lines(cell, room, type_, measure) for cell in cells]
        height = 6 + max(
            line * len(name), max((len(text) for text in texts), default=0) * small + LARGEST + 3
        )
        scene.paragraph(name, x=MARGIN, top=top + 3, size=type_.body, role=role)
        for place, (cell, text) in enumerate(zip(cells, texts, strict=True)):
            x = start + place * width
            if cell is None:
                scene.paragraph(
                    text, x=x, top=top + 3, size=type_.small, colour=style.QUIET, role=f"{role}-none"
                )
                continue
            side = max(SMALLEST, LARGEST * (cell.thumbs / max(most, 1)) ** 0.5)
            _square(scene, x, top + 3 + LARGEST - side, side, cell, f"{role}-cell")
            scene.paragraph(text, x=x, top=top + 5 + LARGEST, size=type_.small, role=role)
        top += height
        _rule(scene, top)
    numbers = "studies (of them randomised), thumbs, certainty where judged"
    if not _wide(room):
        numbers = "studies, thumbs; none: no study"
    notes = [
        "Square: area by thumbs. Full: some studies compare the option with another one within themselves; "
        f"hollow: single arms only. Numbers: {numbers}.",
        *numbered,
    ]
    scene.height = MARGIN + add_notes(scene, notes, top=top + 2, type_=type_, measure=measure)
    return scene


def _headings(
    columns: tuple[str, ...], room: float, type_: style.Type, measure: TextWidth
) -> tuple[list[tuple[str, ...]], list[str]]:
    """Return the headings; numbers with a list of their meanings where a word is wider than its column."""
    whole = all(measure(word, type_.small, True) <= room for name in columns for word in name.split())
    if whole:
        return [wrap(clean_text(name), type_.small, room, measure, bold=True) for name in columns], []
    listed = "; ".join(f"{number} {name}" for number, name in enumerate(columns, 1))
    return [(str(number),) for number in range(1, len(columns) + 1)], [f"{listed}."]


def _wide(room: float) -> bool:
    return room >= WORDS_FROM


def _lines(cell: MapCell | None, room: float, type_: style.Type, measure: TextWidth) -> tuple[str, ...]:
    if not _wide(room):
        return ("none",) if cell is None else cell.short
    words = ("no study",) if cell is None else cell.words
    return tuple(part for text in words for part in wrap(clean_text(text), type_.small, room, measure))


def _square(scene: Scene, x: float, y: float, side: float, cell: MapCell, role: str) -> None:
    points = ((x, y), (x + side, y), (x + side, y + side), (x, y + side))
    face = style.STUDY_LINE if cell.compared else style.PAPER
    scene.shapes.append(Shape(points=points, face=face, edge=style.STUDY_LINE, width=style.LINE, role=role))


def _rule(scene: Scene, y: float) -> None:
    ends = ((MARGIN, y), (scene.width - MARGIN, y))
    scene.strokes.append(Stroke(points=ends, width=style.THIN, colour=style.HAIRLINE, order=0.5, role="rule"))


def map_figure(content: MapContent, *, width_mm: float = 180) -> Figure:
    """Draw the map of one source at the figure's final size, 80 to 400 mm wide."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_map(content, width_mm=width_mm, measure=text_width), content.title)


def map_text(content: MapContent) -> str:
    """Return the words that stand for the map."""
    rows = []
    for label, cells in content.rows:
        if not any(cells):
            rows.append(f"{label}: no study.")
            continue
        told = [
            f"{name} {', '.join(cell.words) if cell else 'no study'}"
            for name, cell in zip(content.columns, cells, strict=True)
        ]
        rows.append(f"{label}: {'; '.join(told)}.")
    return " ".join(rows)
