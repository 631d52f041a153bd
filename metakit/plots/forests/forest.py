"""The forest plot: every study with its interval and weight, means, prediction intervals, directions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.plots.forests.choices import AS_IT_IS, ForestChoices, chosen_forest
from metakit.plots.forests.content import ForestContent
from metakit.plots.forests.layout import lay_out
from metakit.plots.pages import in_pages
from metakit.plots.registry import FIGURES, Built, FigureOptions
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
    options: FigureOptions = FigureOptions(),  # noqa: B008
) -> Built:
    """Draw the forest plot of a result with the usual choices, in parts where a page height is given."""
    content = chosen_forest(
        result, table, options.forest or AS_IT_IS, title=title, left_words=left_words, right_words=right_words
    )
    parts = in_pages(content, width_mm=width_mm, page_height_mm=options.page_height_mm)
    return Built(
        parts=tuple(forest_figure(part, width_mm=width_mm) for part in parts), text=forest_text(content)
    )


def journal_forest(
    table: EffectTable,
    result: PoolResult,
    *,
    choices: Mapping[str, Any],
    words: Mapping[str, str],
    looks: Mapping[str, Any],
    preset: str,
    width_mm: float | None,
) -> Figure:
    """Draw a forest plot as it was chosen, at its final size; see `EffectTable.forest`."""
    from metakit.plots.look import drawn_with
    from metakit.plots.presets import chosen_look, chosen_size

    content = chosen_forest(result, table, ForestChoices(**choices), **words)
    with drawn_with(chosen_look(preset, **looks)):
        return forest_figure(content, width_mm=chosen_size(preset, width_mm=width_mm).width_mm)


def forest_text(content: ForestContent) -> str:
    """Return the words that stand for a forest plot."""
    count = len(content.rows)
    without = sum(row.interval is None for row in content.rows)
    factor, percent = (100, " %") if content.axis == "percent" else (1, "")

    def said(value: float) -> str:
        return f"{factor * value:.3g}{percent}".replace("-", "−")

    parts = [f"{content.estimate_heading} of {count} {'study' if count == 1 else 'studies'}."]
    if without:
        parts.append(f"{without} without an effect of its own.")
    parts += [
        f"{mean.label}: {said(mean.estimate)} ({said(mean.lower)} to {said(mean.upper)})."
        for mean in content.summaries
    ]
    return " ".join(parts)


FIGURES.add(FigureEntry(name="forest", label="Forest plot", build=build_forest))
