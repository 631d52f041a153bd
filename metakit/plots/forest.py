"""The forest plot: every study with its interval and weight, means, prediction intervals, directions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.plots.content import ForestContent
from metakit.plots.forest_content import forest_content
from metakit.plots.layout import lay_out
from metakit.plots.registry import FIGURES
from metakit.plots.registry import Figure as FigureEntry

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def forest_figure(content: ForestContent, *, width_mm: float = 180) -> Figure:
    """Draw a forest plot at its final size; its height follows from what it shows.

    Parameters
    ----------
    content : ForestContent
        What it shows.
    width_mm : float
        Final width in millimetres, 80 to 400: 85 for one journal column, 180 for two.

    Returns
    -------
    matplotlib.figure.Figure
        On a canvas of its own; pyplot knows nothing of it. No type is smaller than 7 pt (8 pt from
        110 mm upwards, unless that would make the figure taller than a page).
    """
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    layout = lay_out(content, width_mm=width_mm, measure=text_width)
    return scene_figure(layout.scene, content.title)


def build_forest(
    result: PoolResult,
    table: EffectTable,
    *,
    title: str = "",
    left_words: str = "",
    right_words: str = "",
    width_mm: float = 180,
) -> Figure:
    """Draw the forest plot of a result with the usual choices."""
    content = forest_content(result, table, title=title, left_words=left_words, right_words=right_words)
    return forest_figure(content, width_mm=width_mm)


FIGURES.add(FigureEntry(name="forest", label="Forest plot", build=build_forest))
