"""The funnel plot: it shows whether small studies differ from large ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.plots.content import FunnelContent
from metakit.plots.funnel_content import funnel_content
from metakit.plots.funnel_layout import lay_out_funnel
from metakit.plots.registry import FIGURES
from metakit.plots.registry import Figure as FigureEntry

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def funnel_figure(content: FunnelContent, *, width_mm: float = 140) -> Figure:
    """Draw a funnel plot at its final size.

    Parameters
    ----------
    content : FunnelContent
        What it shows.
    width_mm : float
        Final width in millimetres, 80 to 400.

    Returns
    -------
    matplotlib.figure.Figure
        On a canvas of its own; pyplot knows nothing of it.
    """
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    layout = lay_out_funnel(content, width_mm=width_mm, measure=text_width)
    return scene_figure(layout.scene, content.title)


def build_funnel(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 140,
) -> Figure:
    """Draw the funnel plot of a result with the usual choices."""
    content = funnel_content(result, table, title=title, left_words=left_words, right_words=right_words)
    return funnel_figure(content, width_mm=width_mm)


FIGURES.add(FigureEntry(name="funnel", label="Funnel plot", build=build_funnel))
