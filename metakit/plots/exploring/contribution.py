"""What each study adds to Q against what it does to the mean (Baujat 2002)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.core.written import fixed
from metakit.models.differing.again import spread_estimator_of
from metakit.models.differing.influence import Influence, influence
from metakit.plots import style
from metakit.plots.footing import add_axis, add_notes
from metakit.plots.forests.columns import MARGIN
from metakit.plots.frame import Frame, add_caption, add_vertical_axis, gutter, start_scene, vertical_axis
from metakit.plots.marks import Panel
from metakit.plots.point_labels import Named, add_names
from metakit.plots.registry import FIGURES, Built, FigureOptions
from metakit.plots.registry import Figure as FigureEntry
from metakit.plots.scale import plan_axis
from metakit.plots.scene import Bubble, Shape
from metakit.plots.text import TextWidth

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_NAMES = 14
FULL = 70.0
"""Area in square points of the bubble of the heaviest study."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ContributionPoint:
    """One study: its part of Q, the squared shift of the mean without it, its weight (a fraction)."""

    study: str
    to_q: float
    shift: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ContributionContent:
    """Everything the picture shows."""

    title: str
    points: tuple[ContributionPoint, ...]
    footnotes: tuple[str, ...] = ()

    @property
    def ranked(self) -> tuple[ContributionPoint, ...]:
        """Points from the farthest out to the nearest, each axis in units of its largest value."""
        far = max((point.to_q for point in self.points), default=0.0) or 1.0
        high = max((point.shift for point in self.points), default=0.0) or 1.0
        return tuple(sorted(self.points, key=lambda p: -math.hypot(p.to_q / far, p.shift / high)))


def contribution_content(rows: Sequence[Influence], *, title: str = "") -> ContributionContent:
    """Build the content from the influence set.

    References
    ----------
    Baujat B, Mahe C, Pignon JP, Hill C (2002). Statistics in Medicine 21:2641.
    """
    return ContributionContent(
        title=title,
        points=tuple(
            ContributionPoint(study=row.study, to_q=row.q_contribution, shift=row.mean_shift, weight=row.hat)
            for row in rows
        ),
    )


def contribution_text(content: ContributionContent) -> str:
    """Return the words that stand for the picture."""
    total = math.fsum(point.to_q for point in content.points)
    most = sorted(content.points, key=lambda point: -point.to_q)[:3]
    shares = [f"{point.study} {fixed(100 * point.to_q / total, 0)} %" for point in most] if total else []
    moves = max(content.points, key=lambda point: point.shift)
    lead = f"What each of {len(content.points)} studies adds to Q, against what it does to the mean."
    parts = f" Most of Q {fixed(total, 1)} comes from {', '.join(shares)}." if shares else " Q is zero."
    return f"{lead}{parts} The mean moves most without {moves.study}."


def lay_out_contribution(content: ContributionContent, *, width_mm: float, measure: TextWidth) -> Frame:
    """Lay out the picture: what a study adds to Q across, what it does to the mean upwards."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    top = add_caption(
        scene, "Shift of the mean without the study (squared, in units of its variance)", top, type_, measure
    )
    bottom = top + min(0.55 * scene.width, 100 * style.MM)
    vertical = vertical_axis(
        "linear",
        [0.0, *(point.shift for point in content.points)],
        null=None,
        length=bottom - top,
        type_=type_,
    )
    left, right = MARGIN + gutter(vertical, type_, measure), scene.width - MARGIN - 8
    across = plan_axis(
        "linear",
        studies=[],
        means=[(value, value, value) for value in (0.0, *(p.to_q for p in content.points))],
        null=None,
        label_width=lambda label: measure(label, type_.small, False),
        width=right - left,
    )
    panel = Panel(left=left, right=right, axis=across)
    frame = Frame(scene=scene, panel=panel, top=top, bottom=bottom, vertical=vertical)
    add_vertical_axis(frame, type_)
    _fair_share(frame, content)
    heaviest = max(point.weight for point in content.points)
    named = []
    for row, point in enumerate(content.ranked):
        area = max(FULL * point.weight / heaviest, 4.0)
        place = Named(
            x=frame.x(point.to_q), y=frame.y(point.shift), radius=math.sqrt(area / math.pi), name=point.study
        )
        scene.bubbles.append(Bubble(x=place.x, y=place.y, area=area, edged=True, row=row))
        named.append(place)
    most = MOST_NAMES if width_mm >= 110 else MOST_NAMES // 2
    unnamed = add_names(
        scene, named[:most], others=named[most:], bounds=(left + 2, top, scene.width - MARGIN, bottom - 2),
        size=type_.small, measure=measure,
    )  # fmt: skip
    below = add_axis(
        scene, panel, null=None, name="Part of Q", top=top, bottom=bottom, type_=type_, measure=measure
    )
    notes = [_key(len(named[most:]) + len(unnamed), len(named)), *content.footnotes]
    scene.height = MARGIN + add_notes(scene, notes, top=below, type_=type_, measure=measure)
    return frame


def _fair_share(frame: Frame, content: ContributionContent) -> None:
    """Shade what lies below the mean of both axes: studies there add no more than their share."""
    count = len(content.points)
    x = frame.x(math.fsum(point.to_q for point in content.points) / count)
    y = frame.y(math.fsum(point.shift for point in content.points) / count)
    left, bottom = frame.panel.left, frame.bottom
    frame.scene.shapes.append(
        Shape(
            points=((left, y), (x, y), (x, bottom), (left, bottom)),
            face="#eef1f3",
            order=0,
            role="fair-share",
        )
    )


def _key(unnamed: int, count: int) -> str:
    key = (
        "Bubble: a study, its area in proportion to its weight. Studies far to the right add to the "
        "differences "
        "between studies; studies high up move the mean. Shaded: no more than an even share of both."
    )
    return key + (f" {unnamed} of {count} bubbles stand without a name for want of room." if unnamed else "")


def contribution_figure(content: ContributionContent, *, width_mm: float = 140) -> Figure:
    """Draw the picture at its final size (80 to 400 mm wide), on a canvas unknown to pyplot."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    frame = lay_out_contribution(content, width_mm=width_mm, measure=text_width)
    return scene_figure(frame.scene, content.title)


def build_contribution(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 140,
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Compute the influence set of a table and draw both axes."""
    content = contribution_content(influence(table, tau2=spread_estimator_of(result)), title=title)
    return Built(parts=(contribution_figure(content, width_mm=width_mm),), text=contribution_text(content))


FIGURES.add(
    FigureEntry(
        name="contribution", label="Part of Q against influence on the mean", build=build_contribution
    )
)
