"""A synthesis without pooling on the page: its picture, its numbers, and what they cannot tell."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.decision.information import thumbs_of
from metakit.measures.registry import MEASURES
from metakit.plots.evidence.directions_content import DirectionRow, DirectionsContent, Side
from metakit.report.drawing.figure_content import unit_of
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.without_pooling import UnpooledFinding, shown_effect
from metakit.telling.study_numbers import show_numbers

_SIDES: dict[str, Side] = {"below": "left", "above": "right", "neither": "neither", "unknown": "unknown"}


def draw_directions(
    finding: AnalysisFinding, name: str, kinds: Sequence[str], *, width_mm: float
) -> FigurePart | None:
    """Draw the directions of a comparison that was not pooled; None for any other analysis."""
    from metakit.plots.evidence.directions import directions_figure

    unpooled = finding.unpooled
    if unpooled is None or unpooled.numbers.directions is None:
        return None
    content = directions_content(finding, unpooled)
    return figure_part(
        f"directions-{name}",
        directions_figure(content, width_mm=width_mm),
        caption="Synthesis without pooling: the side on which each study lies, and the range of effects.",
        more=content.text(),
        kinds=kinds,
        redraw=lambda width, page_mm: (directions_figure(content, width_mm=width),),
    )


def directions_content(finding: AnalysisFinding, unpooled: UnpooledFinding) -> DirectionsContent:
    """Build the picture of a comparison that was not pooled."""
    numbers, counts = unpooled.numbers, unpooled.numbers.directions
    measure = MEASURES[numbers.measure]
    scale = measure.scale(finding.plan.scale)
    factor = 1.0 if scale.axis == "percent" else measure.natural_factor
    kind = measure.kind.name
    found = {row.study: row for row in numbers.studies}
    rows = []
    for study in finding.numbers:
        row = found[study.name]
        rows.append(
            DirectionRow(
                study=study.name,
                side=_SIDES[row.side],
                size=thumbs_of(study),
                randomised=study.study.design_group == "randomised",
                detail=" v ".join(show_numbers(side.numbers, kind) for side in study.sides),
                effect=None if row.effect is None else factor * row.effect,
            )
        )
    share = None
    if counts is not None and counts.share is not None and counts.interval is not None:
        share = (1 - counts.share, 1 - counts.interval.upper, 1 - counts.interval.lower)
    spread = numbers.spread
    unit = unit_of(finding)
    label = f"{measure.label[:1].upper()}{measure.label[1:]}"
    return DirectionsContent(
        title=f"{finding.title} (not pooled)",
        rows=tuple(rows),
        left_words=_upper_first(finding.left_words),
        right_words=_upper_first(finding.right_words),
        axis=scale.axis,
        axis_label=f"{label} ({unit})" if unit else label,
        null=1.0 if scale.axis == "log" else 0.0,
        level=numbers.level,
        show=lambda value: shown_effect(value / factor, measure, scale.name),
        share=share,
        p_value=counts.p_value if counts else None,
        spread=(factor * spread.lowest, factor * spread.median, factor * spread.highest) if spread else None,
        quartiles=(factor * spread.quartiles[0], factor * spread.quartiles[1])
        if spread and spread.quartiles
        else None,
    )


def _upper_first(text: str) -> str:
    return text[:1].upper() + text[1:]
