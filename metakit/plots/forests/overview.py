"""The overview: every outcome of a review in one picture, drawn through the package `forestplot`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.plots.forests.overview_content import OverviewContent
from metakit.plots.forests.overview_layout import lay_out_overview

if TYPE_CHECKING:
    from matplotlib.figure import Figure


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
    from metakit.plots.draw import blank_figure, draw_scene, sheet
    from metakit.plots.forests.forestplot_adapter import draw_rows
    from metakit.plots.style import styled
    from metakit.plots.text import text_width

    layout = lay_out_overview(content, width_mm=width_mm, measure=text_width)
    width, height = layout.scene.width, layout.scene.height
    with styled():
        figure = blank_figure(width, height, content.title)
        draw_scene(layout.scene, sheet(figure))
        for part in layout.panels:
            left, right = part.panel.left, part.panel.right
            place = (
                left / width,
                1 - part.bottom / height,
                (right - left) / width,
                (part.bottom - part.top) / height,
            )
            draw_rows(figure.add_axes(place), part.intervals, part.panel.axis)
    return figure
