"""Studies without pooling, laid out: bricks left and right of a post, the share, the range. Pure.

Every study is one brick of the same height against a post that stands for no difference: the two stacks show
how many studies lie on either side. A brick's length shows the study's size, which the count pays no heed to.
"""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.written import p_value
from metakit.plots import style
from metakit.plots.evidence.directions_content import DirectionRow, DirectionsContent, Side
from metakit.plots.footing import add_axis, add_directions, add_notes
from metakit.plots.forests.columns import MARGIN
from metakit.plots.frame import start_scene
from metakit.plots.marks import Panel
from metakit.plots.scale import AxisPlan, plan_axis
from metakit.plots.scene import LEADING, Align, Bubble, Scene, Shape, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap

_RING = 20.0
_QUARTERS = tuple((step / 4, f"{25 * step} %") for step in range(5))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """The post, the reach of the longest brick, the width of the names, type and ruler."""

    scene: Scene
    post: float
    reach: float
    names: float
    type_: style.Type
    measure: TextWidth

    @property
    def line(self) -> float:
        return LEADING * self.type_.small


def lay_out_directions(content: DirectionsContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay the picture out at its final size."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    post = scene.width / 2
    names = 0.28 * scene.width
    sheet = _Sheet(
        scene=scene, post=post, reach=post - MARGIN - names - 5, names=names, type_=type_, measure=measure
    )
    top = _headings(sheet, content, top)
    top = _bricks(sheet, content, top) + 4
    if content.share is not None:
        top = _share(sheet, content, content.share, top) + 6
    if content.spread is not None:
        top = _range(sheet, content, content.spread, top)
    scene.height = MARGIN + add_notes(scene, _notes(content), top=top, type_=type_, measure=measure)
    return scene


def _headings(sheet: _Sheet, content: DirectionsContent, top: float) -> float:
    """Add how many studies lie on either side, and the words for it."""
    bottoms = [top]
    columns: tuple[tuple[Side, str, float, Align], ...] = (
        ("left", content.left_words, sheet.post - 8, "right"),
        ("right", content.right_words, sheet.post + 8, "left"),
    )
    for side, words, x, align in columns:
        number = len(content.side(side))
        studies = f"{number} {'study' if number == 1 else 'studies'}"
        below = sheet.scene.paragraph(
            (studies,), x=x, top=top, size=sheet.type_.title, bold=True, align=align, role="count"
        )
        lines = wrap(clean_text(words), sheet.type_.body, sheet.post - 8 - MARGIN, sheet.measure)
        bottoms.append(
            sheet.scene.paragraph(lines, x=x, top=below, size=sheet.type_.body, align=align, role="direction")
        )
    return max(bottoms) + 4


def _bricks(sheet: _Sheet, content: DirectionsContent, top: float) -> float:
    """Add both stacks and the studies without a direction; return the foot of the post."""
    scene = sheet.scene
    largest = max((row.size for row in content.rows), default=0.0) or 1.0
    start = top
    bottoms = [top]
    stacks: tuple[tuple[Side, int], ...] = (("left", -1), ("right", 1))
    for side, sign in stacks:
        y = top
        for row in content.side(side):
            y = _brick(sheet, row, sign, sheet.reach * row.size / largest, y)
        bottoms.append(y)
    y = max(bottoms)
    for row in content.side("neither", "unknown"):
        y = _without_direction(sheet, row, y)
    scene.strokes.append(
        Stroke(
            points=((sheet.post, start - 2), (sheet.post, y + 2)), width=style.HEAVY, order=2.5, role="post"
        )
    )
    return y + 4


def _brick(sheet: _Sheet, row: DirectionRow, sign: int, length: float, top: float) -> float:
    """Add one study: the brick against the post, name and numbers at its outer end."""
    scene, type_ = sheet.scene, sheet.type_
    name = wrap(clean_text(row.study), type_.body, sheet.names, sheet.measure, most=2)
    detail = wrap(clean_text(row.detail), type_.small, sheet.names, sheet.measure, most=2)
    detail = detail if row.detail else ()
    height = LEADING * type_.body * len(name) + sheet.line * len(detail) + 4
    end = sheet.post + sign * max(length, 3.0)
    x = end + sign * 5
    align: Align = "right" if sign < 0 else "left"
    below = scene.paragraph(name, x=x, top=top + 2, size=type_.body, align=align, role="study")
    scene.paragraph(detail, x=x, top=below, size=type_.small, colour=style.QUIET, align=align, role="numbers")
    middle, half = top + height / 2, LEADING * type_.body / 2
    scene.shapes.append(
        Shape(
            points=_box(sheet.post, middle - half, end, middle + half),
            face=style.STUDY if row.randomised else style.PAPER,
            edge=style.STUDY_LINE,
            width=style.LINE,
            role=f"brick-{'left' if sign < 0 else 'right'}",
        )
    )
    return top + height


def _without_direction(sheet: _Sheet, row: DirectionRow, top: float) -> float:
    """Add a study without a direction: a ring on the post, its name beside it."""
    text = f"{clean_text(row.study)}: {'no difference' if row.side == 'neither' else 'no number'}"
    lines = wrap(text, sheet.type_.body, sheet.post - MARGIN - 10, sheet.measure, most=2)
    height = LEADING * sheet.type_.body * len(lines) + 4
    sheet.scene.paragraph(lines, x=sheet.post + 8, top=top + 2, size=sheet.type_.body, role="study")
    sheet.scene.bubbles.append(Bubble(x=sheet.post, y=top + height / 2, area=_RING, hollow=True))
    return top + height


def _share(sheet: _Sheet, content: DirectionsContent, share: tuple[float, float, float], top: float) -> float:
    """Add the share of studies on the right, from none to all, with its exact interval."""
    scene, type_ = sheet.scene, sheet.type_
    test = f", sign test {p_value(content.p_value)}" if content.p_value is not None else ""
    words = f"Share of studies on the right side, with its {100 * content.level:g} % exact interval{test}"
    lines = wrap(words, type_.small, scene.width - 2 * MARGIN, sheet.measure, bold=True)
    top = scene.paragraph(lines, x=MARGIN, top=top, size=type_.small, bold=True, role="part") + 3
    panel = _panel(sheet, AxisPlan(kind="percent", low=0.0, high=1.0, ticks=_QUARTERS))
    middle, bottom = top + 7, top + 14
    estimate, low, high = share
    scene.strokes.append(
        Stroke(
            points=((panel.x(low), middle), (panel.x(high), middle)), width=style.THICK,
            colour=style.STUDY_LINE, order=4, role="share-interval",
        )
    )  # fmt: skip
    x, half = panel.x(estimate), 3.4
    scene.shapes.append(
        Shape(
            points=_box(x - half, middle - half, x + half, middle + half),
            face=style.PAPER,
            edge=style.STUDY_LINE,
            width=style.HEAVY,
            order=5,
            role="share",
        )
    )
    return add_axis(
        scene, panel, null=0.5, name="", top=top, bottom=bottom, type_=type_, measure=sheet.measure
    )


def _range(
    sheet: _Sheet, content: DirectionsContent, spread: tuple[float, float, float], top: float
) -> float:
    """Add the effects as a row of strokes, a bar for their middle half, a longer stroke for the median."""
    scene, type_ = sheet.scene, sheet.type_
    low, median, high = spread
    words = f"{content.axis_label} of each study, and their median"
    lines = wrap(clean_text(words), type_.small, scene.width - 2 * MARGIN, sheet.measure, bold=True)
    top = scene.paragraph(lines, x=MARGIN, top=top, size=type_.small, bold=True, role="part") + 3
    effects = [row.effect for row in content.rows if row.effect is not None]
    width = scene.width - 4 * MARGIN
    plan = plan_axis(
        content.axis,
        studies=[],
        means=[(value, value, value) for value in (*effects, low, high)],
        null=content.null,
        label_width=lambda label: sheet.measure(label, type_.small, False),
        width=width,
    )
    panel = _panel(sheet, plan)
    middle, bottom = top + 9, top + 18
    if content.quartiles is not None:
        first, third = (panel.x(value) for value in content.quartiles)
        scene.shapes.append(
            Shape(
                points=_box(first, middle - 4, third, middle + 4),
                face=style.HAIRLINE, order=3, role="middle-half",
            )
        )  # fmt: skip
    for value in effects:
        x = panel.x(value)
        scene.strokes.append(
            Stroke(
                points=((x, middle - 4), (x, middle + 4)), width=style.LINE, colour=style.STUDY_LINE, order=4,
                role="effect",
            )
        )  # fmt: skip
    x = panel.x(median)
    scene.strokes.append(
        Stroke(points=((x, middle - 8), (x, middle + 8)), width=style.THICK, order=5, role="median")
    )
    below = add_axis(
        scene, panel, null=content.null, name="log scale" if content.axis == "log" else "", top=top,
        bottom=bottom, type_=type_, measure=sheet.measure,
    )  # fmt: skip
    return add_directions(
        scene, panel, null=content.null, left_words=content.left_words, right_words=content.right_words,
        top=below, type_=type_, measure=sheet.measure,
    )  # fmt: skip


def _box(left: float, top: float, right: float, bottom: float) -> tuple[tuple[float, float], ...]:
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def _panel(sheet: _Sheet, plan: AxisPlan) -> Panel:
    return Panel(left=2 * MARGIN, right=sheet.scene.width - 2 * MARGIN, axis=plan)


def _notes(content: DirectionsContent) -> list[str]:
    sided = content.side("left", "right")
    kinds = {row.randomised for row in sided}
    fills = {True: "filled: randomised trial", False: "open: study without randomisation"}
    said = "; ".join(fills[kind] for kind in (True, False) if kind in kinds)
    notes = ["Nothing is pooled here, and no study is judged by its p value."]
    if sided:
        notes.append(
            f"Each brick is one study on the side of its effect, however small; its length shows its "
            f"{content.size_words}, which the count pays no heed to. {said[:1].upper()}{said[1:]}."
        )
    if content.side("neither", "unknown"):
        notes.append("Ring on the post: no direction.")
    if content.spread is not None:
        box = "grey: middle half of the studies; " if content.quartiles else ""
        notes.append(
            f"Short strokes: studies; {box}long stroke: median. The range is one of studies, not an interval."
        )
    return notes
