"""The overview: every outcome of a review in one picture, its marks drawn by the package `forestplot`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.plots import style
from metakit.plots.forests.overview_content import OverviewContent
from metakit.plots.forests.overview_layout import OverviewPanel, lay_out_overview
from metakit.plots.scale import AxisPlan, Interval
from metakit.plots.scene import Scene, Shape, Stroke

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HALF = 4.3
"""Half of a diamond's width and height in points."""
ALONG = AxisPlan(kind="linear", low=0.0, high=1.0)


def overview_figure(content: OverviewContent, *, width_mm: float = 180) -> Figure:
    """Draw all outcomes of a review at the figure's final size.

    Parameters
    ----------
    content : OverviewContent
        One row an outcome. Ratios, differences, proportions and different units get panels of their own.
    width_mm : float
        Final width in millimetres, 80 to 400.

    Returns
    -------
    matplotlib.figure.Figure
        On a canvas of its own; pyplot knows nothing of it.
    """
    from metakit.plots.draw import scene_figure
    from metakit.plots.forests.forestplot_adapter import drawn_rows
    from metakit.plots.text import text_width

    layout = lay_out_overview(content, width_mm=width_mm, measure=text_width)
    rows = [(part, number) for part in layout.panels for number in range(len(part.rows))]
    # One call for all panels: each row by its places along the axis of its own panel.
    places = [_places(part.intervals[number], part.panel.axis) for part, number in rows]
    for index, interval in drawn_rows(places, ALONG).items():
        _mark(layout.scene, *rows[index], interval)
    return scene_figure(layout.scene, content.title)


def _places(interval: Interval | None, axis: AxisPlan) -> Interval | None:
    """Return where an interval falls along its axis, 0 at its start and 1 at its end."""
    if interval is None:
        return None
    estimate, lower, upper = (axis.place(min(max(value, axis.low), axis.high)) for value in interval)
    return estimate, lower, upper


def _mark(scene: Scene, part: OverviewPanel, number: int, places: Interval) -> None:
    """Put a whisker and its marker, as `forestplot` drew them, into their row of the picture."""
    panel = part.panel
    x, left, right = (panel.left + place * (panel.right - panel.left) for place in places)
    y = part.top + (number + 0.5) * (part.bottom - part.top) / len(part.rows)
    scene.strokes.append(
        Stroke(points=((left, y), (right, y)), width=style.HEAVY, colour=style.MEAN, role="interval")
    )
    scene.shapes.append(
        Shape(
            points=((x - HALF, y), (x, y - HALF), (x + HALF, y), (x, y + HALF)),
            face=style.MEAN,
            order=4,
            role="mean",
        )
    )
