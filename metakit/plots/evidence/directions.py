"""The picture of studies that are not pooled: on which side each lies, and how far apart they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.plots.evidence.directions_content import DirectionsContent
from metakit.plots.evidence.directions_layout import lay_out_directions

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def directions_figure(content: DirectionsContent, *, width_mm: float = 180) -> Figure:
    """Draw a synthesis without pooling at the figure's final size.

    Parameters
    ----------
    content : DirectionsContent
        Studies with their sides; `content.text()` stands for the picture.
    width_mm : float
        Final width in millimetres, 80 to 400.

    Returns
    -------
    matplotlib.figure.Figure
        On a canvas of its own; pyplot knows nothing of it.
    """
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    scene = lay_out_directions(content, width_mm=width_mm, measure=text_width)
    return scene_figure(scene, content.title or "Studies without pooling")
