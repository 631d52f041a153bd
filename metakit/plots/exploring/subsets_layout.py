"""The cloud of all subsets laid out: bins shaded by number, outlines of chosen studies, margins. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.written import fixed
from metakit.measures.natural import Natural
from metakit.plots import style
from metakit.plots.footing import add_axis, add_directions, add_notes, axis_name
from metakit.plots.forests.columns import MARGIN
from metakit.plots.frame import (
    Frame,
    add_caption,
    add_vertical_axis,
    gutter,
    start_scene,
    with_vertical_ticks,
)
from metakit.plots.marks import Panel
from metakit.plots.scale import AxisPlan, choose_ticks
from metakit.plots.scene import LEADING, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, shorten

CORE = 0.9
"""Share of the subsets with a chosen study that its outline holds."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChosenCloud:
    """The subsets that hold one study: counts by bin, the bins of its densest part, its middle."""

    study: str
    counts: FloatArray
    core: BoolArray
    median: float
    median_without: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SubsetsContent:
    """Everything the picture shows.

    counts : shape (across, upwards), subsets by bin; `across` and `upwards` are the edges of the bins, the
    first in natural units. `outside` subsets lie beyond the edges.
    """

    title: str
    natural: Natural
    counts: FloatArray
    across: FloatArray
    upwards: FloatArray
    chosen: tuple[ChosenCloud, ...]
    mean: float
    subsets: int
    exhaustive: bool
    studies: int
    outside: int = 0
    left_words: str = ""
    right_words: str = ""
    footnotes: tuple[str, ...] = ()


def subset_words(content: SubsetsContent) -> str:
    """Say how many subsets there are, and whether these are all."""
    count = f"{content.subsets:,}".replace(",", "\u00a0")
    every = "All" if content.exhaustive else "A random draw of"
    return f"{every} {count} subsets of {content.studies} studies"


SHADES = ("#dfeef8", "#b3d6ee", "#7db8de", "#3f8fc0", style.STUDY_LINE)
"""From few subsets in a bin to many; each step is darker in greyscale, too."""
DASHES: tuple[tuple[float, ...], ...] = ((), (5, 2), (1.5, 1.5))
MARGINAL = 30.0
"""Height in points of the counts along an edge."""


def lay_out_subsets(content: SubsetsContent, *, width_mm: float, measure: TextWidth) -> Frame:
    """Lay out the picture at its final size."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    natural = content.natural
    where = (
        ""
        if natural.scale.name in {"identity", "raw"}
        else f" ({natural.scale.name.replace('_', ' ')} scale)"
    )
    top = add_caption(scene, f"Spread of the true effects, τ{where}", top, type_, measure) + MARGINAL
    bottom = top + min(0.5 * scene.width, 95 * style.MM)
    plan = AxisPlan(kind="linear", low=0.0, high=float(content.upwards[-1]))
    vertical = with_vertical_ticks(plan, bottom - top, type_)
    left = MARGIN + gutter(vertical, type_, measure)
    right = scene.width - MARGIN - MARGINAL - 2
    across = AxisPlan(kind=natural.axis, low=float(content.across[0]), high=float(content.across[-1]))
    ticks = choose_ticks(
        across, label_width=lambda label: measure(label, type_.small, False), width=right - left
    )
    panel = Panel(
        left=left, right=right, axis=AxisPlan(kind=across.kind, low=across.low, high=across.high, ticks=ticks)
    )
    frame = Frame(scene=scene, panel=panel, top=top, bottom=bottom, vertical=vertical)
    add_vertical_axis(frame, type_)
    _tiles(frame, content)
    _margins(frame, content)
    for number, cloud in enumerate(content.chosen):
        _outline(frame, content, cloud.core, DASHES[number])
    x = frame.x(content.mean)
    scene.strokes.append(
        Stroke(
            points=((x, top - MARGINAL), (x, bottom)),
            width=style.THICK,
            colour=style.MEAN,
            order=5,
            role="mean",
        )
    )
    null = natural.null if natural.null is not None and across.holds(natural.null) else None
    name = axis_name(natural.heading, natural.unit, natural.axis)
    below = add_axis(scene, panel, null=null, name=name, top=top, bottom=bottom, type_=type_, measure=measure)
    below = add_directions(
        scene, panel, null=null, left_words=content.left_words, right_words=content.right_words, top=below,
        type_=type_, measure=measure,
    )  # fmt: skip
    below = _keys(scene, content, below + 5, type_, measure)
    scene.height = MARGIN + add_notes(scene, _notes(content), top=below, type_=type_, measure=measure)
    return frame


def _classes(counts: FloatArray) -> FloatArray:
    """Sort bins into as many classes as there are shades, by the logarithm of their counts; -1 is empty."""
    most = max(float(counts.max()), 2.0)
    with np.errstate(divide="ignore"):
        place = np.floor(len(SHADES) * np.log(np.maximum(counts, 1.0)) / math.log(most * 1.0001))
    classes: FloatArray = np.where(counts > 0, np.minimum(place, len(SHADES) - 1), -1)
    return classes


def _tiles(frame: Frame, content: SubsetsContent) -> None:
    """Shade the bins, runs of one shade in a row as one shape."""
    classes = _classes(content.counts)
    for row in range(classes.shape[1]):
        low, high = frame.y(float(content.upwards[row])), frame.y(float(content.upwards[row + 1]))
        for first, last, which in _runs(classes[:, row]):
            if which >= 0:
                left, right = frame.x(float(content.across[first])), frame.x(float(content.across[last]))
                frame.scene.tiles.append(
                    Shape(
                        points=((left, low), (right, low), (right, high), (left, high)),
                        face=SHADES[int(which)],
                        order=1,
                        role="bin",
                    )
                )


def _runs(values: FloatArray) -> Iterator[tuple[int, int, float]]:
    start = 0
    for i in range(1, len(values) + 1):
        if i == len(values) or values[i] != values[start]:
            yield start, i, float(values[start])
            start = i


def _margins(frame: Frame, content: SubsetsContent) -> None:
    """Add the counts along the upper and the right edge; chosen studies as step lines in the same measure."""
    for along, edges, upper in ((1, content.across, True), (0, content.upwards, False)):
        counts = content.counts.sum(axis=along)
        tallest = float(counts.max()) or 1.0
        steps = _steps(frame, edges, counts / tallest, upper=upper)
        frame.scene.shapes.append(Shape(points=tuple(steps), face=SHADES[1], order=0.5, role="margin"))
        for number, cloud in enumerate(content.chosen):
            mine = _steps(frame, edges, cloud.counts.sum(axis=along) / tallest, upper=upper)
            frame.scene.strokes.append(
                Stroke(
                    points=tuple(mine), colour=style.INK, dash=DASHES[number], order=3, role="margin-chosen"
                )
            )


def _steps(frame: Frame, edges: FloatArray, heights: FloatArray, *, upper: bool) -> list[tuple[float, float]]:
    reach = MARGINAL - 4
    base = frame.top - 1 if upper else frame.panel.right + 1
    places = [frame.x(float(edge)) if upper else frame.y(float(edge)) for edge in edges]
    outer = [base - reach * float(share) if upper else base + reach * float(share) for share in heights]
    path = [(places[0], base)]
    for start, end, level in zip(places, places[1:], outer, strict=False):
        path += [(start, level), (end, level)]
    path.append((places[-1], base))
    return path if upper else [(level, place) for place, level in path]


def _outline(frame: Frame, content: SubsetsContent, core: BoolArray, dash: tuple[float, ...]) -> None:
    """Draw the edge of a set of bins, white below black, so that it shows on every shade."""
    inside = np.pad(core, 1)
    lines: list[tuple[tuple[float, float], tuple[float, float]]] = []
    xs = [frame.x(float(edge)) for edge in content.across]
    ys = [frame.y(float(edge)) for edge in content.upwards]
    for i in range(len(xs)):  # upright edges, joined where they go on
        parted = inside[i, 1:-1] != inside[i + 1, 1:-1]
        lines += [((xs[i], ys[a]), (xs[i], ys[b])) for a, b, on in _runs(parted.astype(float)) if on]
    for j in range(len(ys)):
        parted = inside[1:-1, j] != inside[1:-1, j + 1]
        lines += [((xs[a], ys[j]), (xs[b], ys[j])) for a, b, on in _runs(parted.astype(float)) if on]
    for points in lines:
        frame.scene.strokes.append(
            Stroke(points=points, width=style.THICK + 0.8, colour=style.PAPER, order=3.5, role="outline-halo")
        )
        frame.scene.strokes.append(
            Stroke(points=points, width=style.HEAVY, dash=dash, order=3.6, role="outline")
        )


def _keys(scene: Scene, content: SubsetsContent, top: float, type_: style.Type, measure: TextWidth) -> float:
    """Add the shades with their counts, and a line a chosen study."""
    line = LEADING * type_.small
    most = max(float(content.counts.max()), 2.0)
    bounds = [math.ceil(most ** (number / len(SHADES))) for number in range(len(SHADES) + 1)]
    lead = "Subsets in a bin:"
    scene.paragraph((lead,), x=MARGIN, top=top, size=type_.small, role="key")
    x = MARGIN + measure(lead, type_.small, False) + 8
    for shade, low, high in zip(SHADES, bounds, bounds[1:], strict=False):
        if high <= low:
            continue
        text = f"{low:d} to {high - 1 if high < bounds[-1] else high:d}"
        text = str(low) if text == f"{low} to {low}" else text
        wide = 13 + measure(text, type_.small, False)
        if x + wide > scene.width - MARGIN:
            x, top = MARGIN, top + line
        y = top + line / 2
        box = ((x, y - 3.5), (x + 9, y - 3.5), (x + 9, y + 3.5), (x, y + 3.5))
        scene.shapes.append(Shape(points=box, face=shade, role="key"))
        scene.paragraph((text,), x=x + 13, top=top, size=type_.small, role="key")
        x += wide + 12
    top += line
    for number, cloud in enumerate(content.chosen):
        y = top + line / 2
        scene.strokes.append(
            Stroke(points=((MARGIN, y), (MARGIN + 20, y)), width=style.HEAVY, dash=DASHES[number], role="key")
        )
        room = scene.width - 2 * MARGIN - 26
        text = shorten(
            f"with {clean_text(cloud.study)}: {_medians(content, cloud)}", type_.small, room, measure
        )
        scene.paragraph((text,), x=MARGIN + 26, top=top, size=type_.small, role="key")
        top += line
    return top


def _medians(content: SubsetsContent, cloud: ChosenCloud) -> str:
    width = max(abs(cloud.median - cloud.median_without), 0.01 * abs(cloud.median), 1e-6)
    with_it, without = (content.natural.words(value, width) for value in (cloud.median, cloud.median_without))
    return f"median {with_it}, without it {without}"


def _notes(content: SubsetsContent) -> list[str]:
    notes = [
        f"{subset_words(content)}. Thick line: mean of all studies. "
        "Along the edges: the same counts added up."
    ]
    if content.chosen:
        share = fixed(100 * CORE, 0)
        notes.append(f"Outline: where {share} % of the subsets that hold the named study lie most densely.")
    if content.outside:
        notes.append(f"{content.outside} subsets lie beyond the edges of the picture.")
    notes.append(
        "Two separate clouds: a study, or a few, part the answers. One cloud: they agree whoever is left out."
    )
    return [*notes, *content.footnotes]
