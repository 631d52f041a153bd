"""The column of techniques and the arcs between them, laid out at the final size. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from metakit.core.written import amount, count
from metakit.plots import style
from metakit.plots.footing import add_notes
from metakit.plots.forests.columns import GAP, MARGIN
from metakit.plots.frame import start_scene
from metakit.plots.point_labels import Box
from metakit.plots.scene import LEADING, Bubble, Line, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap


@dataclass(frozen=True, slots=True, kw_only=True)
class GeometryNode:
    """A technique, also as `within` a sentence: its studies, its thumbs or thumb-years (None if unknown)."""

    name: str
    label: str
    within: str
    studies: int
    size: float | None
    reference: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GeometryEdge:
    """A comparison between two nodes of a part, by their places in the column.

    `precision` is one over the variance of the direct estimate on the analysis scale, None where the model
    has none.
    """

    first: int
    second: int
    studies: int
    precision: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GeometryPart:
    """A connected part: its nodes from top to bottom, and its comparisons."""

    nodes: tuple[GeometryNode, ...]
    edges: tuple[GeometryEdge, ...]
    studies: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GeometryContent:
    """Everything that the picture shows."""

    title: str
    parts: tuple[GeometryPart, ...]
    size_unit: str
    width_tells: Literal["studies", "precision"]
    several_arms: int


THICKEST = 7.0
THINNEST = 0.7
LARGEST = 9.0
"""Radius of the largest disc in points."""
SMALLEST = 1.6
ONE_STUDY = 1.4
"""Most that one study adds to the width of an arc, in points."""
CROWD = 30
"""Arcs of one part beyond which all of them are thinner."""
ARC = "#3f8fc0"
"""Blue of the arcs: 3.5 to 1 against paper, apart from the dark numbers on them."""
STEPS = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """Places in points: the column of discs, how far arcs may reach, the labels, two columns of numbers."""

    discs: float
    reach: float
    labels: tuple[float, float]
    studies: float | None
    sizes: float | None
    type_: style.Type
    measure: TextWidth


def lay_out_geometry(content: GeometryContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out the picture; each unconnected part is a column of its own under the one before."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    sheet = _sheet(content, scene.width, type_, measure)
    top = _headings(scene, sheet, content, top)
    largest = max((node.size or 0.0 for part in content.parts for node in part.nodes), default=0.0)
    strongest = max((_weight(edge, content) for part in content.parts for edge in part.edges), default=1.0)
    longest = max((edge.second - edge.first for part in content.parts for edge in part.edges), default=1)
    left_out = 0
    for number, part in enumerate(content.parts):
        if len(content.parts) > 1:
            text = (
                f"Group {number + 1}: {count(len(part.nodes), 'technique')}, "
                f"{count(part.studies, 'study', 'studies')}; no study connects it with another group"
            )
            lines = wrap(text, type_.body, scene.width - 2 * MARGIN, measure, bold=True)
            top = scene.paragraph(lines, x=MARGIN, top=top + 2, size=type_.body, bold=True, role="group") + 3
        rows, top = _nodes(scene, sheet, content, part, largest, top)
        left_out += _arcs(scene, sheet, content, part, rows, strongest, longest)
        top += 4
    top = _key(scene, sheet, content, strongest, top)
    scene.height = MARGIN + add_notes(scene, _notes(content, left_out), top=top, type_=type_, measure=measure)
    return scene


def _weight(edge: GeometryEdge, content: GeometryContent) -> float:
    return edge.precision or 0.0 if content.width_tells == "precision" else float(edge.studies)


def _width(weight: float, strongest: float, thickest: float) -> float:
    return max(thickest * weight / strongest, THINNEST)


def _thickest(content: GeometryContent, strongest: float) -> float:
    """Return the width of the strongest arc: no line of a single study is thick, nor is any in a crowd."""
    arcs = max((len(part.edges) for part in content.parts), default=0)
    crowd = THICKEST if arcs <= CROWD else THICKEST / 2
    return min(crowd, ONE_STUDY * strongest) if content.width_tells == "studies" else crowd


def _sheet(content: GeometryContent, width: float, type_: style.Type, measure: TextWidth) -> _Sheet:
    right = width - MARGIN
    studies = sizes = None
    if type_ is style.WIDE:
        shown = [_size(node) for part in content.parts for node in part.nodes]
        heading = content.size_unit[:1].upper() + content.size_unit[1:]
        sizes = right
        right -= (
            max(*(measure(text, type_.body, False) for text in shown), measure(heading, type_.body, True))
            + GAP
        )
        studies = right
        right -= measure("Studies", type_.body, True) + GAP
    discs = MARGIN + 0.36 * (right - MARGIN)
    return _Sheet(
        discs=discs, reach=discs - MARGIN - THICKEST / 2 - 4, labels=(discs + LARGEST + 5, right),
        studies=studies, sizes=sizes, type_=type_, measure=measure,
    )  # fmt: skip


def _size(node: GeometryNode) -> str:
    return "–" if node.size is None else amount(node.size)


def _headings(scene: Scene, sheet: _Sheet, content: GeometryContent, top: float) -> float:
    size = sheet.type_.body
    scene.paragraph(("Technique",), x=sheet.labels[0], top=top, size=size, bold=True, role="heading")
    unit = content.size_unit[:1].upper() + content.size_unit[1:]
    for text, x in (("Studies", sheet.studies), (unit, sheet.sizes)):
        if x is not None:
            scene.paragraph((text,), x=x, top=top, size=size, bold=True, align="right", role="heading")
    y = top + LEADING * size + 3
    scene.strokes.append(
        Stroke(points=((MARGIN, y), (scene.width - MARGIN, y)), width=style.THIN, order=1, role="rule")
    )
    return y + 5


def _nodes(
    scene: Scene, sheet: _Sheet, content: GeometryContent, part: GeometryPart, largest: float, top: float
) -> tuple[list[float], float]:
    """Add discs and labels; return the height of each row's middle, and the bottom."""
    type_, measure = sheet.type_, sheet.measure
    line = LEADING * type_.body
    room = sheet.labels[1] - sheet.labels[0]
    middles = []
    for number, node in enumerate(part.nodes):
        label = wrap(clean_text(node.label), type_.body, room, measure, bold=node.reference, most=3)
        quiet = ["reference"] if node.reference else []
        if sheet.studies is None:
            quiet.append(count(node.studies, "study", "studies"))
            if node.size is not None:
                quiet.append(f"{_size(node)} {content.size_unit}")
        below = wrap(", ".join(quiet), type_.small, room, measure) if quiet else ()
        high = max(line * (len(label) + len(below)), 2 * LARGEST) + 3
        middle = top + high / 2
        start = middle - line * (len(label) + len(below)) / 2
        role = f"node-{number}"
        start = scene.paragraph(
            label, x=sheet.labels[0], top=start, size=type_.body, bold=node.reference, role=role
        )
        scene.paragraph(
            below, x=sheet.labels[0], top=start, size=type_.small, colour=style.QUIET, role=role,
            leading=LEADING * type_.body / type_.small,
        )  # fmt: skip
        for text, x in ((str(node.studies), sheet.studies), (_size(node), sheet.sizes)):
            if x is not None:
                scene.paragraph(
                    (text,), x=x, top=middle - line / 2, size=type_.body, align="right", role=role
                )
        radius = LARGEST * math.sqrt((node.size or 0.0) / largest) if largest else 0.5 * LARGEST
        radius = max(radius, SMALLEST)
        scene.bubbles.append(
            Bubble(
                x=sheet.discs,
                y=middle,
                area=math.pi * radius**2,
                edged=True,
                hollow=node.size is None,
                row=number,
            )
        )
        middles.append(middle)
        top += high
    return middles, top


def _arcs(
    scene: Scene,
    sheet: _Sheet,
    content: GeometryContent,
    part: GeometryPart,
    rows: list[float],
    strongest: float,
    longest: int,
) -> int:
    """Add the arcs, long ones below short ones, each with its number of studies; return how many lack it."""
    numbered: list[tuple[int, float, float, int]] = []
    for place, edge in enumerate(sorted(part.edges, key=lambda edge: (edge.first - edge.second, edge.first))):
        top, bottom = rows[edge.first], rows[edge.second]
        reach = sheet.reach * (0.16 + 0.84 * (edge.second - edge.first) / longest)
        points = tuple(
            (
                sheet.discs - reach * math.sin(math.pi * step / STEPS),
                (top + bottom) / 2 - (bottom - top) / 2 * math.cos(math.pi * step / STEPS),
            )
            for step in range(STEPS + 1)
        )
        width = _width(_weight(edge, content), strongest, _thickest(content, strongest))
        order = 1 + 0.9 * place / len(part.edges)
        role = f"arc-{edge.first}-{edge.second}"
        scene.strokes.append(
            Stroke(points=points, width=width + 1.6, colour=style.PAPER, order=order, role="casing")
        )
        scene.strokes.append(Stroke(points=points, width=width, colour=ARC, order=order + 1e-3, role=role))
        numbered.append((edge.studies, sheet.discs - reach, (top + bottom) / 2, place))
    taken: list[Box] = []
    left_out = 0
    size = sheet.type_.small
    for studies, x, y, _ in sorted(numbered, key=lambda item: (-item[0], item[3])):
        text = str(studies)
        half, high = sheet.measure(text, size, False) / 2 + 1.5, 0.5 * LEADING * size
        box = (x - half, y - high, x + half, y + high)
        if any(box[0] < o[2] and o[0] < box[2] and box[1] < o[3] and o[1] < box[3] for o in taken):
            left_out += 1
            continue
        taken.append(box)
        corners = ((box[0], box[1] + 1), (box[2], box[1] + 1), (box[2], box[3] - 1), (box[0], box[3] - 1))
        scene.shapes.append(Shape(points=corners, face=style.PAPER, order=2.5, role="arc-number"))
        scene.lines.append(Line(x=x, y=y, text=text, size=size, align="center", role="arc-number"))
    return left_out


def _key(scene: Scene, sheet: _Sheet, content: GeometryContent, strongest: float, top: float) -> float:
    """Add sample lines with what their widths mean."""
    type_, measure = sheet.type_, sheet.measure
    if content.width_tells == "studies":
        most = round(strongest)
        values = sorted({1, max((most + 1) // 2, 1), most})
        samples = [(float(value), count(value, "study", "studies")) for value in values]
    else:
        samples = [
            (share * strongest, f"standard error {1 / math.sqrt(share * strongest):.2g}")
            for share in (0.1, 0.4, 1.0)
        ]
    x, line = MARGIN, LEADING * type_.small
    for value, text in samples:
        wide = 24 + measure(text, type_.small, False)
        if x + wide > scene.width - MARGIN:
            x, top = MARGIN, top + line
        y = top + line / 2
        scene.strokes.append(
            Stroke(
                points=((x, y), (x + 18, y)),
                width=_width(value, strongest, _thickest(content, strongest)),
                colour=ARC,
                role="key",
            )
        )
        scene.paragraph((text,), x=x + 22, top=top, size=type_.small, role="key")
        x += wide + 12
    return top + line


def _notes(content: GeometryContent, left_out: int) -> list[str]:
    known = any(node.size is not None for part in content.parts for node in part.nodes)
    disc = (
        f"Disc: a technique, its area in proportion to its {content.size_unit}. "
        if known
        else "Disc: a technique. "
    )
    told = (
        "its width by the precision of the direct estimate (one over its variance)"
        if content.width_tells == "precision"
        else "its width by the number of studies"
    )
    notes = [f"{disc}Arc: studies compare the two directly, {told}; the number on it counts studies."]
    if content.several_arms:
        more = "1 study compares" if content.several_arms == 1 else f"{content.several_arms} studies compare"
        notes.append(f"{more} more than two techniques: every pair of them is counted.")
    if left_out:
        notes.append(
            f"No room for the numbers of {count(left_out, 'arc')}; the words beside the figure name them."
        )
    return notes
