"""What each part of an operation adds, and which parts these studies cannot tell apart."""

from __future__ import annotations

from metakit.core.written import listed, p_value
from metakit.errors import NotEstimableError
from metakit.networks.answer import NetworkAnalysis
from metakit.plots.footing import axis_name
from metakit.plots.networks.network_forest import interval_of, number_lines, rows_text
from metakit.plots.networks.network_marks import EstimateMark
from metakit.plots.networks.network_registry import (
    NETWORK_FIGURES,
    NetworkFigure,
    NetworkWords,
    network_natural,
)
from metakit.plots.networks.network_rows import NetworkRow, RowsContent, lay_out_rows
from metakit.plots.registry import Built
from metakit.synthesis.networking.network_words import not_told


def network_components_content(
    found: NetworkAnalysis, words: NetworkWords, *, title: str = ""
) -> RowsContent:
    """Return one row a component, the smallest effect first; parts that cannot be told stand in the notes.

    Raises
    ------
    NotEstimableError
        Where no component model was fitted, or it can tell no component.
    """
    model = found.components
    if model is None:
        raise NotEstimableError("no component model was fitted; ask for the components as well")
    natural = network_natural(found)
    told = [
        (effect, interval_of(natural, effect.estimate, effect.interval))
        for effect in model.effects
        if effect.estimate is not None and effect.interval is not None
    ]
    told.sort(key=lambda pair: pair[1][0])
    peers = [interval for _, interval in told]
    rows = [
        NetworkRow(
            label=words.label(effect.component),
            numbers=number_lines(natural, interval, peers),
            marks=(EstimateMark(interval=interval, evidence="direct"),),
        )
        for effect, interval in told
    ]
    if not rows:
        raise NotEstimableError("these studies can tell the effect of no component alone")
    test = model.additivity
    notes = [
        f"Diamond: effect of adding this part, everything else equal, if parts add up; line: its "
        f"{100 * model.level:.4g} % interval.",
        f"Do parts add up? Q {test.value:.1f} on {test.df:g} degrees of freedom, {p_value(test.p_value)}; a "
        "large p value is no proof."
        if test
        else "Whether parts add up cannot be tested here.",
    ]
    notes += not_told(model, words.within)
    if model.inactive:
        inactive = listed([words.within(name) for name in model.inactive])
        notes.append(f"Taken as the starting point, without an effect of its own: {inactive}.")
    if model.parts > 1:
        notes.append(
            f"{model.parts} groups of studies are unconnected: across them all rests on adding up alone."
        )
    return RowsContent(
        title=title,
        rows=tuple(rows),
        label_heading="Part of the operation",
        numbers_heading=(natural.heading, f"{100 * model.level:.4g} % interval"),
        axis_name=axis_name(natural.heading, words.unit or natural.unit, natural.axis),
        axis=natural.axis,
        null=natural.null,
        left_words=words.left_words,
        right_words=words.right_words,
        notes=tuple(notes),
    )


def build_network_components(
    found: NetworkAnalysis,
    *,
    words: NetworkWords = NetworkWords(),  # noqa: B008
    title: str = "",
    width_mm: float = 180,
) -> Built:
    """Draw the effect of each component."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    content = network_components_content(found, words, title=title)
    scene = lay_out_rows(content, width_mm=width_mm, measure=text_width)
    lead = f"{content.numbers_heading[0]} of adding each part, everything else equal."
    return Built(parts=(scene_figure(scene, title),), text=rows_text(content, lead))


NETWORK_FIGURES.add(
    NetworkFigure(
        name="components", label="What each part of an operation adds", build=build_network_components,
        needs="the component model (--components)",
    )
)  # fmt: skip
