"""All outcomes of a review laid out in one picture: one panel a scale, rows in the order given. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from metakit.core.written import decimals_for, on_axis
from metakit.plots import style
from metakit.plots.footing import add_axis, add_notes, shown_unit
from metakit.plots.forests.columns import GAP, MARGIN
from metakit.plots.forests.overview_content import OverviewContent, OverviewRow
from metakit.plots.marks import Panel, arrow_head
from metakit.plots.scale import Interval, plan_axis
from metakit.plots.scene import LEADING, Scene, Stroke
from metakit.plots.text import TextWidth, clean_text, wrap

NOT_POOLED = "not pooled"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverviewPanel:
    """Rows that share a scale, between `top` and `bottom`, all of one height."""

    rows: tuple[OverviewRow, ...]
    panel: Panel
    top: float
    bottom: float

    @property
    def intervals(self) -> tuple[Interval | None, ...]:
        """What is drawn in each row."""
        return tuple(row.interval for row in self.rows)


@dataclass(slots=True, kw_only=True)
class OverviewLayout:
    """A laid-out overview: the text and axes as a scene, the panels still to be filled."""

    scene: Scene
    panels: list[OverviewPanel] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """Places of the columns in points, with the type and the ruler."""

    outcome: tuple[float, float]
    estimate: tuple[float, float]
    panel: tuple[float, float]
    studies: float | None
    size: float | None
    type_: style.Type
    measure: TextWidth


def lay_out_overview(content: OverviewContent, *, width_mm: float, measure: TextWidth) -> OverviewLayout:
    """Lay out an overview at its final size.

    Rows of one axis, unit and null value share a panel; panels come in the order of their first row. A
    ratio and a difference never share an axis.
    """
    type_ = style.type_for(style.check_width(width_mm))
    width = width_mm * style.MM
    layout = OverviewLayout(scene=Scene(width=width))
    scene = layout.scene
    sheet = _columns(content, width, type_, measure)
    top = MARGIN
    if content.title:
        lines = wrap(clean_text(content.title), type_.title, width - 2 * MARGIN, measure, bold=True)
        top = scene.paragraph(lines, x=MARGIN, top=top, size=type_.title, bold=True, role="title") + 5
    top = _headings(scene, sheet, content, top)
    panels: dict[tuple[str, str, float | None], list[OverviewRow]] = {}
    for row in content.rows:
        panels.setdefault((row.axis, row.unit, row.null), []).append(row)
    for rows in panels.values():
        top = _panel(layout, sheet, tuple(rows), top)
    alone = ", or the one study there is" if any(row.studies == 1 for row in content.rows) else ""
    key = f"Diamond: mean{alone}; line: its {100 * content.level:.4g} % interval"
    key += ", an arrow head where it goes on beyond the axis." if _has_arrows(scene) else "."
    apart = "Each panel has a scale of its own: lengths compare within a panel only."
    notes = [key, *([apart] if len(panels) > 1 else []), *content.footnotes]
    scene.height = MARGIN + add_notes(scene, notes, top=top, type_=type_, measure=measure)
    return layout


def _has_arrows(scene: Scene) -> bool:
    return any("-arrow-" in shape.role for shape in scene.shapes)


def _columns(content: OverviewContent, width: float, type_: style.Type, measure: TextWidth) -> _Sheet:
    texts = [part for row in content.rows for part in _numbers(row, content.rows)]
    estimate = max((measure(text, type_.body, True) for text in [*texts, NOT_POOLED]), default=0.0)
    estimate = max(estimate, measure("95 % interval", type_.body, False))
    right = width - MARGIN
    studies = size = None
    if width >= 140 * style.MM:
        size = right
        sizes = [measure(clean_text(row.size), type_.body, False) for row in content.rows]
        right -= max([*sizes, measure(content.size_heading, type_.body, True)]) + GAP
        studies = right
        right -= measure("Studies", type_.body, True) + GAP
        outcome = 0.30 * width
    else:
        outcome = 0.36 * width
    start = MARGIN + outcome + GAP
    return _Sheet(
        outcome=(MARGIN, MARGIN + outcome), estimate=(start, start + estimate),
        panel=(start + estimate + GAP, right), studies=studies, size=size,
        type_=type_, measure=measure,
    )  # fmt: skip


def _numbers(row: OverviewRow, peers: tuple[OverviewRow, ...]) -> tuple[str, ...]:
    """Return estimate and interval as two lines, with the decimals of the rows of the same unit."""
    if row.interval is None:
        return (NOT_POOLED,)
    factor = 100 if row.axis == "percent" else 1
    alike = [peer.interval for peer in peers if (peer.axis, peer.unit) == (row.axis, row.unit)]
    decimals = decimals_for(factor * (known[2] - known[1]) for known in alike if known is not None)
    decimals = max(decimals, 1) if row.axis == "percent" else decimals
    estimate, lower, upper = (on_axis(value, row.axis, decimals) for value in row.interval)
    return estimate, f"{lower} to {upper}"


def _headings(scene: Scene, sheet: _Sheet, content: OverviewContent, top: float) -> float:
    size = sheet.type_.body
    line = LEADING * size
    scene.paragraph(("", "Outcome"), x=sheet.outcome[0], top=top, size=size, bold=True, role="heading")
    scene.paragraph(
        ("Mean",), x=sheet.estimate[1], top=top, size=size, bold=True, align="right", role="heading"
    )
    scene.paragraph(
        (f"{100 * content.level:.4g} % interval",), x=sheet.estimate[1], top=top + line, size=size,
        colour=style.QUIET, align="right", role="heading",
    )  # fmt: skip
    for text, x in (("Studies", sheet.studies), (content.size_heading, sheet.size)):
        if x is not None:
            scene.paragraph(("", text), x=x, top=top, size=size, bold=True, align="right", role="heading")
    y = top + 2 * line + 3
    scene.strokes.append(
        Stroke(points=((MARGIN, y), (scene.width - MARGIN, y)), width=style.THIN, order=1, role="rule")
    )
    return y + 4


def panel_heading(row: OverviewRow) -> str:
    """Return what the rows of a panel have in common."""
    unit = shown_unit(row.unit, row.axis)
    if row.axis == "log" and row.null is not None:
        return "Ratios"
    if unit.startswith("per "):
        return f"Rates {unit}"
    if row.axis == "percent":
        return f"Proportions ({unit})" if row.null is None else f"Differences of proportions ({unit})"
    kind = "Values" if row.null is None else "Differences"
    return f"{kind} in {unit}" if unit else kind


def _panel(layout: OverviewLayout, sheet: _Sheet, rows: tuple[OverviewRow, ...], top: float) -> float:
    scene, type_, measure = layout.scene, sheet.type_, sheet.measure
    line = LEADING * type_.body
    heading = wrap(
        clean_text(panel_heading(rows[0])), type_.body, scene.width - 2 * MARGIN, measure, bold=True
    )
    top = scene.paragraph(heading, x=MARGIN, top=top, size=type_.body, bold=True, role="group") + 1
    blocks = [_row_lines(sheet, row) for row in rows]
    numbers = [_numbers(row, rows) for row in rows]
    pitch = 5 + line * max(
        max(len(label) + len(quiet) for label, quiet in blocks), max(len(lines) for lines in numbers)
    )
    bottom = top + pitch * len(rows)
    left, right = sheet.panel
    known = [row.interval for row in rows if row.interval is not None]
    plan = plan_axis(
        rows[0].axis,
        studies=[],
        means=known,
        null=rows[0].null,
        label_width=lambda label: measure(label, type_.small, False),
        width=right - left,
    )
    panel = Panel(left=left, right=right, axis=plan)
    for number, (row, (label, quiet), texts) in enumerate(zip(rows, blocks, numbers, strict=True)):
        middle = top + (number + 0.5) * pitch
        start = middle - (len(label) + len(quiet)) * line / 2
        role = f"outcome-{number}"
        start = scene.paragraph(label, x=sheet.outcome[0], top=start, size=type_.body, role=role)
        scene.paragraph(quiet, x=sheet.outcome[0], top=start, size=type_.body, colour=style.QUIET, role=role)
        start = middle - len(texts) * line / 2
        tone = style.INK if row.interval is not None else style.QUIET
        scene.paragraph(
            texts[:1], x=sheet.estimate[1], top=start, size=type_.body, bold=row.interval is not None,
            colour=tone, align="right", role=role,
        )  # fmt: skip
        scene.paragraph(
            texts[1:], x=sheet.estimate[1], top=start + line, size=type_.body, align="right", role=role
        )
        for text, x in ((str(row.studies), sheet.studies), (clean_text(row.size), sheet.size)):
            if x is not None:
                scene.paragraph(
                    (text,), x=x, top=middle - line / 2, size=type_.body, align="right", role=role
                )
        if row.interval is not None:
            for beyond, end in ((row.interval[1] < plan.low, False), (row.interval[2] > plan.high, True)):
                if beyond:
                    side = "right" if end else "left"
                    tip = right if end else left
                    arrow_head(scene, tip, middle, style.MEAN, right=end, role=f"{role}-arrow-{side}")
    layout.panels.append(OverviewPanel(rows=rows, panel=panel, top=top, bottom=bottom))
    below = add_axis(
        scene,
        panel,
        null=rows[0].null,
        name="log scale" if rows[0].axis == "log" else "",
        top=top,
        bottom=bottom,
        type_=type_,
        measure=measure,
    )
    return below + 6


def _row_lines(sheet: _Sheet, row: OverviewRow) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return an outcome's name, and in quiet type its measure, direction and what the columns can't hold."""
    room = sheet.outcome[1] - sheet.outcome[0]
    size, measure = sheet.type_.body, sheet.measure
    quiet = [clean_text(row.measure)]
    if row.direction:
        quiet.append(clean_text(row.direction))
    if sheet.studies is None:
        count = f"{row.studies} {'study' if row.studies == 1 else 'studies'}"
        quiet.append(f"{count}, {clean_text(row.size)}" if row.size else count)
    if row.note:
        quiet.append(clean_text(row.note))
    label = wrap(clean_text(row.outcome), size, room, measure, most=3)
    return label, tuple(line for text in quiet if text for line in wrap(text, size, room, measure, most=3))
