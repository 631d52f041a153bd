"""The flow diagram laid out: stages from top to bottom, what leaves the flow to the right of it. Pure.

Wide figures show both sides beside each other, with the stages in a margin. Narrow ones show them one below
the other, so that the type stays readable.
"""

from __future__ import annotations

from dataclasses import dataclass

from metakit.plots import style
from metakit.plots.evidence.flow_content import FlowBox, FlowColumn, FlowContent
from metakit.plots.forests.columns import MARGIN
from metakit.plots.scene import LEADING, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap

PADDING = 5.0
ARROW_GAP = 15.0  # between a box and the one to its right
ROW_GAP = 13.0  # between a box and the one below
HALF_GAP = 14.0  # between the two sides
STAGES = ("Identification", "Screening", "Included")
PASSING = 11.0  # room for a line that passes other boxes
ITEM_GAP = 2.0  # between two counts in a box
HEAD = 4.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pen:
    """What drawing a box takes."""

    scene: Scene
    type_: style.Type
    measure: TextWidth


@dataclass(frozen=True, slots=True, kw_only=True)
class _Half:
    """Where the two columns of one side stand: left and right end of each."""

    main: tuple[float, float]
    side: tuple[float, float]

    @property
    def middle(self) -> float:
        return (self.main[0] + self.main[1]) / 2


def lay_out_flow(content: FlowContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out a flow diagram at its final size."""
    type_ = style.type_for(style.check_width(width_mm))
    scene = Scene(width=width_mm * style.MM)
    pen = _Pen(scene=scene, type_=type_, measure=measure)
    top = MARGIN
    if content.title:
        lines = wrap(clean_text(content.title), type_.title, scene.width - 2 * MARGIN, measure, bold=True)
        top = scene.paragraph(lines, x=MARGIN, top=top, size=type_.title, bold=True, role="title") + 6
    start, wide = top, width_mm >= 110
    left = _gutter(pen) if wide else MARGIN + PASSING
    if content.previous is not None:
        top = _box(pen, content.previous, (left, scene.width - MARGIN), top, leaves=False) + ROW_GAP
    ends, bottom = (_beside if wide else _below)(pen, content, top)
    if content.total is not None:
        bottom = _last(pen, content.total, ends, bottom, ((left, start + 8), left - 6))
    scene.height = bottom + MARGIN
    return scene


def _gutter(pen: _Pen) -> float:
    """Return where the boxes begin, right of the names of the stages."""
    return MARGIN + max(pen.measure(stage, pen.type_.body, True) for stage in STAGES) + 10


def _last(
    pen: _Pen,
    box: FlowBox,
    ends: tuple[float, float],
    top: float,
    line: tuple[tuple[float, float], float],
) -> float:
    """Add the total below the new studies, and the line to it: where it starts, and where it goes down."""
    (start, x), scene, below = line, pen.scene, top + ROW_GAP
    bottom = _box(pen, FlowBox(heading="", items=box.items), ends, below, leaves=False, heavy=True)
    _arrow_down(scene, (ends[0] + ends[1]) / 2, top, below)
    level = (below + bottom) / 2
    _line(scene, (start, (x, start[1]), (x, level), (ends[0] - HEAD, level)))
    _head(scene, ends[0], level, "right")
    return bottom


def _beside(pen: _Pen, content: FlowContent, top: float) -> tuple[tuple[float, float], float]:
    scene = pen.scene
    gutter = _gutter(pen)
    room = scene.width - MARGIN - gutter
    columns = [content.databases, *([content.other] if content.other else [])]
    if content.other is None:
        main = 0.44 * (room - ARROW_GAP)
        halves = [_half(gutter, main, room - ARROW_GAP - main)]
    else:
        width = (room - HALF_GAP - 2 * ARROW_GAP) / 4
        halves = [_half(gutter, width, width), _half(gutter + 2 * width + ARROW_GAP + HALF_GAP, width, width)]
    below = top
    for column, half in zip(columns, halves, strict=True):
        lines = wrap(column.heading, pen.type_.body, half.side[1] - half.main[0], pen.measure, bold=True)
        end = scene.paragraph(
            lines, x=half.main[0], top=top, size=pen.type_.body, bold=True, role="side-heading"
        )
        below = max(below, end)
    top = below + 5
    ends: list[float] = [0.0] * len(columns)  # the lower ends of the last boxes of each side
    for number, row in enumerate(_rows(columns)):
        if number in (0, 1):
            top = _stage(pen, STAGES[number], top)
        lowest = top
        for index, (half, (box, leaving)) in enumerate(zip(halves, row, strict=True)):
            if box is None:
                continue
            end, reach = _pair(pen, half, box, leaving, top)
            if ends[index]:
                _arrow_down(scene, half.middle, ends[index], top)
            ends[index] = end
            lowest = max(lowest, reach)
        top = lowest + ROW_GAP
    top = _stage(pen, STAGES[2], top)
    first = halves[0]
    bottom = _included(pen, content.included, (first.main[0], first.side[1]), top)
    _arrow_down(scene, first.middle, ends[0], top)
    if content.other is not None:
        level = (top + bottom) / 2
        x = halves[1].middle
        _line(scene, ((x, ends[1]), (x, level), (first.side[1] + HEAD, level)))
        _head(scene, first.side[1], level, "left")
    return (first.main[0], first.side[1]), bottom


def _below(pen: _Pen, content: FlowContent, top: float) -> tuple[tuple[float, float], float]:
    scene = pen.scene
    columns = [content.databases, *([content.other] if content.other else [])]
    passing = PASSING if content.previous is not None else 0.0
    left = MARGIN + passing + (PASSING if content.other else 0.0)
    room = scene.width - MARGIN - left - ARROW_GAP
    half = _half(left, 0.47 * room, 0.53 * room)
    ends = []
    for column in columns:
        lines = wrap(column.heading, pen.type_.body, scene.width - MARGIN - left, pen.measure, bold=True)
        top = scene.paragraph(lines, x=left, top=top, size=pen.type_.body, bold=True, role="side-heading") + 3
        end = 0.0
        for number, ((main, side),) in enumerate(_rows([column])):
            if number in (0, 1):
                top = _stage(pen, STAGES[number], top)
            if main is None:
                continue
            last = end
            end, reach = _pair(pen, half, main, side, top)
            if last:
                _arrow_down(scene, half.middle, last, top)
            top = reach + ROW_GAP
        ends.append(end)
        top += 4
    top = _stage(pen, STAGES[2], top)
    bottom = _included(pen, content.included, (half.main[0], half.side[1]), top)
    _arrow_down(scene, half.middle, ends[-1], top)
    if content.other is not None:
        x, level, start = MARGIN + 2.0 + passing, (top + bottom) / 2, ends[0] + 6
        middle = half.middle
        _line(
            scene, ((middle, ends[0]), (middle, start), (x, start), (x, level), (half.main[0] - HEAD, level))
        )
        _head(scene, half.main[0], level, "right")
    return (half.main[0], half.side[1]), bottom


def _half(left: float, main: float, side: float) -> _Half:
    middle = left + main
    return _Half(main=(left, middle), side=(middle + ARROW_GAP, middle + ARROW_GAP + side))


def _rows(columns: list[FlowColumn]) -> list[list[tuple[FlowBox | None, FlowBox | None]]]:
    """Return the rows of boxes: for each side the box of the flow and what leaves it to the right."""
    pairs = [
        (
            (column.identified, column.removed),
            (column.screened, column.excluded),
            (column.sought, column.not_retrieved),
            (column.assessed, column.excluded_reports),
        )
        for column in columns
    ]
    return [list(row) for row in zip(*pairs, strict=True)]


def _stage(pen: _Pen, name: str, top: float) -> float:
    """Name a stage under a hairline: in the margin of a wide figure, at the right of a narrow one."""
    scene, size = pen.scene, pen.type_.body
    scene.strokes.append(
        Stroke(points=((MARGIN, top), (scene.width - MARGIN, top)), width=style.THIN, colour=style.HAIRLINE)
    )
    narrow = pen.type_ is style.NARROW
    x, align = (scene.width - MARGIN, "right") if narrow else (MARGIN, "left")
    end = scene.paragraph(
        (name,), x=x, top=top + 4, size=size, bold=True, colour=style.QUIET,
        align="right" if align == "right" else "left", role="stage",
    )  # fmt: skip
    return end + 3 if narrow else top + 7


def _pair(pen: _Pen, half: _Half, main: FlowBox, side: FlowBox | None, top: float) -> tuple[float, float]:
    """Add a box and the one to its right; return the lower end of the first, and of both."""
    end = _box(pen, main, half.main, top, leaves=False)
    if side is None:
        return end, end
    reach = _box(pen, side, half.side, top, leaves=True)
    level = top + min(end, reach) / 2 - top / 2
    _line(pen.scene, ((half.main[1], level), (half.side[0] - HEAD, level)))
    _head(pen.scene, half.side[0], level, "right")
    return end, max(end, reach)


def _included(pen: _Pen, box: FlowBox, ends: tuple[float, float], top: float) -> float:
    return _box(pen, FlowBox(heading="", items=box.items), ends, top, leaves=False, heavy=True)


def _box(
    pen: _Pen, box: FlowBox, ends: tuple[float, float], top: float, *, leaves: bool, heavy: bool = False
) -> float:
    """Add a box with its words and counts; return its lower end."""
    scene, size, measure = pen.scene, pen.type_.small, pen.measure
    left, right = ends[0] + PADDING, ends[1] - PADDING
    rows = [(box.heading, box.count)] if not box.items else []
    y = top + PADDING - 1
    if box.items and box.heading:
        lines = wrap(f"{box.heading}:", size, right - left, measure)
        y = scene.paragraph(lines, x=left, top=y, size=size, role="box-words")
    rows += list(box.items)
    for position, (label, count) in enumerate(rows):
        y += ITEM_GAP if position or box.items else 0.0
        number = f"n\u00a0=\u00a0{count}"
        lines = wrap(clean_text(label), size, right - left, measure)
        end = scene.paragraph(lines, x=left, top=y, size=size, role="box-words")
        beside = measure(lines[-1], size, False) + 6 + measure(number, size, True) <= right - left
        last = end - LEADING * size if beside else end
        scene.paragraph((number,), x=right, top=last, size=size, bold=True, align="right", role="box-count")
        y = last + LEADING * size
    bottom = y + PADDING - 1
    corners = ((ends[0], top), (ends[1], top), (ends[1], bottom), (ends[0], bottom))
    scene.shapes.append(
        Shape(
            points=corners,
            face=style.BAND if leaves else style.PAPER,
            edge=style.QUIET if leaves else style.INK,
            width=style.THIN if leaves else (style.THICK if heavy else style.LINE),
            role="box-leaving" if leaves else ("box-included" if heavy else "box"),
        )
    )
    return bottom


def _arrow_down(scene: Scene, x: float, start: float, end: float) -> None:
    _line(scene, ((x, start), (x, end - HEAD)))
    _head(scene, x, end, "down")


def _line(scene: Scene, points: tuple[tuple[float, float], ...]) -> None:
    scene.strokes.append(Stroke(points=points, width=style.LINE, colour=style.INK, role="arrow"))


def _head(scene: Scene, x: float, y: float, towards: str) -> None:
    """Add an arrow head whose tip is at (x, y)."""
    half = 2.4
    back = {
        "down": ((x - half, y - HEAD), (x + half, y - HEAD)),
        "right": ((x - HEAD, y - half), (x - HEAD, y + half)),
        "left": ((x + HEAD, y - half), (x + HEAD, y + half)),
    }[towards]
    scene.shapes.append(Shape(points=((x, y), *back), face=style.INK, order=5, role="arrow-head"))
