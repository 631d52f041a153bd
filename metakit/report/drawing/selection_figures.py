"""The flow diagram for the report: one for a page, one for a narrow screen or a column."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.review.selection.reading import Selection
from metakit.synthesis.findings import Findings
from metakit.synthesis.terms import label_of

if TYPE_CHECKING:
    from metakit.plots.evidence.flow_content import FlowContent

WIDE_MM, NARROW_MM = 180.0, 85.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectionFigures:
    """The same flow at two widths; both None without a finished selection."""

    wide: FigurePart | None = None
    narrow: FigurePart | None = None

    @property
    def all(self) -> tuple[FigurePart, ...]:
        """Both figures, or none."""
        return tuple(part for part in (self.wide, self.narrow) if part is not None)


def draw_selection(findings: Findings, kinds: Sequence[str]) -> SelectionFigures:
    """Draw the flow of records, reports and studies; nothing where it was not documented to its end."""
    selection = findings.selection
    if selection is None or selection.flow is None:
        return SelectionFigures()
    return SelectionFigures(
        wide=_part("flow", selection, WIDE_MM, kinds),
        narrow=_part("flow-narrow", selection, NARROW_MM, kinds),
    )


def _part(name: str, selection: Selection, width_mm: float, kinds: Sequence[str]) -> FigurePart:
    from metakit.plots.evidence.flow import flow_figure

    content = content_of(selection)
    return figure_part(
        name,
        flow_figure(content, width_mm=width_mm),
        redraw=lambda width, page: (flow_figure(content, width_mm=width),),
        caption="Flow of records, reports and studies, counted from the files of the review.",
        more=content.text(),
        kinds=kinds,
    )


def content_of(selection: Selection) -> FlowContent:
    """Return what the flow diagram of a finished selection shows.

    Raises
    ------
    ValueError
        When the selection is not finished.
    DataError
        When a box does not add up.
    """
    from metakit.plots.evidence.flow_content import flow_content

    if selection.flow is None:
        raise ValueError("a selection that is not finished has no flow")
    return flow_content(
        selection.flow,
        sources={search.id: (search.name, search.kind_label) for search in selection.searches},
        reasons={
            term: label_of("exclusion_reasons", term)
            for side in (selection.flow.databases, selection.flow.other)
            if side is not None
            for term in side.excluded_by_reason
        },
    )
