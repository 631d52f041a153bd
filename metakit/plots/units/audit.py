"""The figure of a unit's audit: events counted less events expected, in limits that hold for repeated looks.

The limits are lines with teeth: between two events the expected number grows, so the difference falls, and
the limit moves in steps of one event. Points are the running totals of techniques that the unit has audited.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from metakit.core.written import per_100
from metakit.decision.one_unit.unit_audit import AuditPlan
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.numerics.repeated_counts import limits_at
from metakit.plots import style
from metakit.plots.footing import add_axis, add_notes
from metakit.plots.forests.columns import MARGIN
from metakit.plots.frame import Frame, add_caption, add_vertical_axis, gutter, start_scene, vertical_axis
from metakit.plots.marks import Panel
from metakit.plots.scale import plan_axis
from metakit.plots.scene import Bubble, Line, Scene, Stroke
from metakit.plots.text import TextWidth

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_STEPS = 240
_DASHES: tuple[tuple[float, ...], ...] = ((), (4, 2), (1.5, 1.5))
KEY = (
    "Thick lines: limits. Line through 0: as many as expected. Outside the limits, something has changed, "
    "the true rate now is another, or chance did what it does in 5 of 100 such audits over the whole time, "
    "however often one looks."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditContent:
    """One outcome: expected numbers of the planned years, limits along them, and running totals by technique.

    Limits and totals are pairs of the expected number and the difference, counted less expected.
    """

    title: str
    years: tuple[float, ...]
    upper: tuple[tuple[float, float], ...]
    lower: tuple[tuple[float, float], ...]
    totals: tuple[tuple[str, tuple[tuple[float, float], ...]], ...]


def audit_content(found: UnitDecision, plan: AuditPlan, *, title: str = "") -> AuditContent | None:
    """Return the content of the figure, None where there are no limits."""
    if plan.why_not:
        return None
    counted = [row.expected for rows in (plan.totals or {}).values() for row in rows]
    end = max([plan.horizon, *counted])
    places = np.linspace(end / _STEPS, end, _STEPS)
    limits = [limits_at(float(place), plan.critical) for place in places]
    return AuditContent(
        title=title,
        years=tuple(row.expected for row in plan.rows),
        upper=tuple((item.expected, item.above - item.expected) for item in limits),
        lower=tuple((item.expected, item.below - item.expected) for item in limits if item.below is not None),
        totals=tuple(
            (
                found.unit.technique(name).label,
                tuple((row.expected, row.observed - row.expected) for row in rows),
            )
            for name, rows in (plan.totals or {}).items()
        ),
    )


def audit_text(content: AuditContent) -> str:
    """Return the words that stand for the figure."""
    parts = [
        f"{name}: {', '.join(f'{per_100(gap)} at {per_100(place)} expected' for place, gap in points)}."
        for name, points in content.totals
    ]
    ends = [f"at {per_100(content.upper[-1][0])} expected events {per_100(content.upper[-1][1])} more"]
    ends += [f"{per_100(-content.lower[-1][1])} fewer"] if content.lower else []
    start = f"Events counted less events expected, by the number expected. Limits {' and '.join(ends)}."
    return " ".join([start, *parts])


def lay_out_audit(content: AuditContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out limits, totals and the ends of the planned years."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    top = add_caption(scene, "↑ Counted less expected, thumbs with the event", top, type_, measure) + 12
    bottom = top + min(0.42 * scene.width, 62 * style.MM)
    points = [*content.upper, *content.lower, *(point for _, line in content.totals for point in line)]
    ups = [gap for _, gap in points]
    vertical = vertical_axis("linear", ups, null=0.0, length=bottom - top, type_=type_)
    left, right = MARGIN + gutter(vertical, type_, measure), scene.width - MARGIN - 6
    axis = plan_axis(
        "linear", studies=[], means=[(place, 0.0, place) for place, _ in points], null=None,
        label_width=lambda label: measure(label, type_.small, False), width=right - left,
    )  # fmt: skip
    panel = Panel(left=left, right=right, axis=axis)
    frame = Frame(scene=scene, panel=panel, top=top, bottom=bottom, vertical=vertical)
    add_vertical_axis(frame, type_)
    _line(frame, ((0.0, 0.0), (points[len(content.upper) - 1][0], 0.0)), style.THIN, "expected", ())
    for role, limit in (("upper", content.upper), ("lower", content.lower)):
        if limit:
            _line(frame, limit, style.THICK, role, (), colour=style.STUDY_LINE)
    shown: float = -1e9
    for number, place in enumerate(content.years, start=1):
        x = frame.x(place)
        scene.strokes.append(
            Stroke(points=((x, top), (x, bottom)), width=style.THIN, colour=style.HAIRLINE, order=1)
        )
        words = f"year {number}"
        half = measure(words, type_.small, False) / 2
        if x - half > shown + 4 and x + half <= scene.width - MARGIN + 4:
            scene.lines.append(
                Line(x=x, y=top - 7, text=words, size=type_.small, align="center", role="year")
            )
            shown = x + half
    notes = [KEY]
    for number, (name, line) in enumerate(content.totals):
        _line(frame, ((0.0, 0.0), *line), style.HEAVY, "total", _DASHES[number % 3], colour=style.MEAN)
        scene.bubbles += [
            Bubble(x=frame.x(place), y=frame.y(gap), area=18.0, hollow=bool(number % 2), edged=True)
            for place, gap in line
        ]
        notes.append(f"{('Discs', 'Rings')[number % 2]}: {name}, at the end of each year counted.")
    below = add_axis(
        scene, panel, null=None, name="→ Events expected so far", top=top, bottom=bottom, type_=type_,
        measure=measure,
    )  # fmt: skip
    scene.height = MARGIN + add_notes(scene, notes, top=below, type_=type_, measure=measure)
    return scene


def _line(
    frame: Frame, points: Sequence[tuple[float, float]], width: float, role: str, dash: tuple[float, ...],
    *, colour: str = style.INK,
) -> None:  # fmt: skip
    drawn = tuple((frame.x(place), frame.y(gap)) for place, gap in points)
    frame.scene.strokes.append(
        Stroke(points=drawn, width=width, colour=colour, dash=dash, order=3, role=role)
    )


def audit_figure(content: AuditContent, *, width_mm: float = 180) -> Figure:
    """Draw an audit at the final size (80 to 400 mm wide)."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_audit(content, width_mm=width_mm, measure=text_width), content.title)
