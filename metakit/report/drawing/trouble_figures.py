"""The pictures of why thumbs come back: shares of causes, MP angles, the map of evidence."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.written import count
from metakit.decision.certainty import all_certainties
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.synthesis.findings import Findings
from metakit.synthesis.returning.trouble_findings import TroubleFindings
from metakit.synthesis.terms import outcome_term
from metakit.telling.option_certainty import certainty_by_cell

WIDTH_MM = 180.0


def draw_trouble(findings: Findings, kinds: Sequence[str]) -> tuple[FigurePart, ...]:
    """Draw what the section names; nothing where no record says anything of it."""
    trouble = findings.trouble
    if trouble is None or not trouble.told:
        return ()
    return (*_causes(trouble, kinds), *_angles(trouble, kinds), *_maps(trouble, findings, kinds))


def _causes(trouble: TroubleFindings, kinds: Sequence[str]) -> tuple[FigurePart, ...]:
    from metakit.plots.evidence.causes import causes_content, causes_figure, causes_figure_text

    if trouble.returns.causes is None:
        return ()
    result = trouble.returns.causes.overall
    content = causes_content(result)
    part = figure_part(
        "causes-of-return",
        causes_figure(content, width_mm=WIDTH_MM),
        redraw=lambda width_mm, page_mm: (causes_figure(content, width_mm=width_mm),),
        caption=f"Causes of return: {count(result.thumbs_returned, 'thumb')} in "
        f"{count(result.k, 'study', 'studies')}.",
        more=causes_figure_text(result),
        kinds=kinds,
    )
    return (part,)


def _angles(trouble: TroubleFindings, kinds: Sequence[str]) -> tuple[FigurePart, ...]:
    from metakit.plots.evidence.mp_angles import angles_content, angles_figure

    content = angles_content((*trouble.angles.by_option, *trouble.angles.left_alone))
    if not content.rows:
        return ()
    rows = "; ".join(f"{row.label}: {row.quiet[1]}, change {' '.join(row.numbers)}" for row in content.rows)
    part = figure_part(
        "mp-angles",
        angles_figure(content, width_mm=WIDTH_MM),
        redraw=lambda width_mm, page_mm: (angles_figure(content, width_mm=width_mm),),
        caption="MP hyperextension before and after, by what was done at the joint and by the angle before.",
        more=f"{rows}.",
        kinds=kinds,
    )
    return (part,)


def _maps(trouble: TroubleFindings, findings: Findings, kinds: Sequence[str]) -> tuple[FigurePart, ...]:
    from metakit.plots.evidence.evidence_map import MapContent, map_content, map_figure, map_text

    def part(number: int, content: MapContent) -> FigurePart:
        return figure_part(
            f"evidence-map-{number}",
            map_figure(content, width_mm=WIDTH_MM),
            redraw=lambda width_mm, page_mm: (map_figure(content, width_mm=width_mm),),
            caption=f"Map of evidence: {content.title}.",
            more=map_text(content),
            kinds=kinds,
        )

    labels = {outcome: outcome_term(outcome).label for outcome in trouble.outcomes}
    certainty = {
        f"{option}/{outcome}": level
        for (option, outcome), level in certainty_by_cell(findings, all_certainties(findings)).items()
    }
    return tuple(
        part(number, map_content(source, labels, certainty))
        for number, source in enumerate(trouble.sources, 1)
        if source.rows
    )
