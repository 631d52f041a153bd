"""The flow diagram of a review, from the searches to the included studies."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.plots.evidence.flow_content import FlowContent
from metakit.plots.evidence.flow_layout import lay_out_flow

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def flow_figure(content: FlowContent, *, width_mm: float = 180) -> Figure:
    """Draw a flow diagram at the figure's final size.

    Parameters
    ----------
    content : FlowContent
        Boxes whose counts add up; building it has checked that.
    width_mm : float
        Final width in millimetres, 80 to 400; under 110 the two sides stand below each other.

    Returns
    -------
    matplotlib.figure.Figure
        On a canvas of its own; pyplot knows nothing of it.
    """
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    scene = lay_out_flow(content, width_mm=width_mm, measure=text_width)
    return scene_figure(scene, content.title or "Flow of records, reports and studies")
