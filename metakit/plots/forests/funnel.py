"""The funnel plot: it shows whether small studies differ from large ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError, UsageError
from metakit.plots.exploring.small_study_marks import added_points, funnel_line
from metakit.plots.forests.content import FunnelContent
from metakit.plots.forests.funnel_content import FEWEST_TO_JUDGE, ONLY_TO_LOOK, funnel_content, vertical_of
from metakit.plots.forests.funnel_layout import lay_out_funnel
from metakit.plots.registry import FIGURES, Built, FigureOptions
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
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Draw the funnel plot of a result with the usual choices."""
    if len(table) and not table.estimable.any() and options.vertical != "study_size":
        raise NotEstimableError("no study has an effect with a standard error: there is no funnel to draw")
    added = added_points(table) if options.added_studies else ()
    line = funnel_line(table, options.small_study_line) if options.small_study_line else None
    if (added or line) and (options.vertical or vertical_of(table)) == "study_size":
        raise UsageError(
            "added studies and small-study lines need an axis of standard errors: choose the vertical axis "
            "standard_error"
        )
    content = funnel_content(
        result, table, title=title, left_words=left_words, right_words=right_words, added=added, line=line,
        vertical=options.vertical or None,
    )  # fmt: skip
    return Built(parts=(funnel_figure(content, width_mm=width_mm),), text=funnel_text(content))


def funnel_text(content: FunnelContent) -> str:
    """Return the words that stand for a funnel plot."""
    count = len(content.points)
    axis = "standard error" if content.vertical == "standard_error" else f"size ({content.size_heading})"
    parts = [
        f"{content.effect_heading} of {count} {'study' if count == 1 else 'studies'} against their {axis}."
    ]
    if content.centre is not None and count:
        left = sum(point.effect < content.centre for point in content.points)
        parts.append(f"{left} lie to the left of the pooled mean, {count - left} to the right or on it.")
    if content.added:
        parts.append(f"Trim and fill would add {len(content.added)}.")
    if count < FEWEST_TO_JUDGE:
        parts.append(ONLY_TO_LOOK)
    return " ".join(parts)


FIGURES.add(FigureEntry(name="funnel", label="Funnel plot", build=build_funnel))
