"""The forest of planned subgroups in a report: studies by group, a mean of each, the test between them."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.written import count
from metakit.report.drawing.figure_content import forest_of
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.synthesis.exploring.exploration_words import moderator_label
from metakit.synthesis.exploring.explorations import Exploration
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.words import lower_first

WIDE_MM = 180.0


def subgroup_figure(
    finding: AnalysisFinding, exploration: Exploration, name: str, kinds: Sequence[str]
) -> FigurePart | None:
    """Draw planned subgroups that have an answer; None for others."""
    from metakit.plots.forests.forest import forest_figure, forest_text

    found, table = exploration.subgroups, finding.table
    if found is None or table is None or not exploration.planned:
        return None
    (column,) = exploration.moderators
    label = lower_first(moderator_label(column, comparative=finding.comparative))
    content = forest_of(finding, table, found, label)
    return figure_part(
        f"subgroups-{name}-{exploration.id.replace('_', '-')}",
        forest_figure(content, width_mm=WIDE_MM),
        redraw=lambda width_mm, page_mm: (forest_figure(content, width_mm=width_mm),),
        caption=f"Planned subgroups: {count(len(content.rows), 'study', 'studies')} by {label}, with a mean "
        "of each group and the test between them. It compares studies, not patients, and cannot tell what "
        "caused a difference.",
        more=forest_text(content),
        kinds=kinds,
    )
