"""The pictures of the appraisal for the report: the judgements, and the weight behind each answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.written import count
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.synthesis.findings import AnalysisFinding, Findings

WIDTH_MM = 180.0
MOST_ANSWERS = 14
"""Answers in one picture of weights: as many as a printed page shows in readable type."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AppraisalFigures:
    """The pictures of the page, cut into pieces that fit one; `whole` are the same uncut, kept as files."""

    judgements: tuple[FigurePart, ...] = ()
    concerns: tuple[FigurePart, ...] = ()
    whole: tuple[FigurePart, ...] = ()

    @property
    def all(self) -> tuple[FigurePart, ...]:
        """Every picture once."""
        parts = (*self.whole, *self.judgements, *self.concerns)
        return tuple({part.name: part for part in parts}.values())


def draw_appraisal(findings: Findings, kinds: Sequence[str]) -> AppraisalFigures:
    """Draw the judgements and the weights; nothing where no study was appraised."""
    if not findings.appraisals:
        return AppraisalFigures()
    judgements, whole = _judgements(findings, kinds)
    answers = [finding for finding in findings.analyses if finding.concerns]
    groups = [answers[start : start + MOST_ANSWERS] for start in range(0, len(answers), MOST_ANSWERS)]
    concerns = tuple(
        _concerns(group, f"concerns-{number}" if len(groups) > 1 else "concerns", kinds)
        for number, group in enumerate(groups, 1)
    )
    return AppraisalFigures(judgements=judgements, concerns=concerns, whole=whole)


def _judgements(
    findings: Findings, kinds: Sequence[str]
) -> tuple[tuple[FigurePart, ...], tuple[FigurePart, ...]]:
    from metakit.plots.evidence.appraisal import appraisal_figure
    from metakit.plots.evidence.appraisal_content import (
        AppraisalContent,
        appraisal_content,
        appraisal_pieces,
        appraisal_text,
    )

    def part(name: str, content: AppraisalContent, which: str) -> FigurePart:
        return figure_part(
            name,
            appraisal_figure(content, width_mm=WIDTH_MM),
            redraw=lambda width_mm, page_mm: (appraisal_figure(content, width_mm=width_mm),),
            caption=f"Judgements of each study by domain{which}.",
            more=f"{appraisal_text(content)} The reasons stand in the tables below.",
            kinds=kinds,
        )

    content = appraisal_content(findings.studies, findings.names)
    pieces = appraisal_pieces(content)
    whole = part("appraisal", content, "")
    if len(pieces) == 1:
        return (whole,), (whole,)
    cut = tuple(
        part(f"appraisal-{number}", piece, f", {number} of {len(pieces)}")
        for number, piece in enumerate(pieces, 1)
    )
    return cut, (whole,)


def _concerns(answers: Sequence[AnalysisFinding], name: str, kinds: Sequence[str]) -> FigurePart:
    from metakit.plots.evidence.appraisal import concern_figure
    from metakit.plots.evidence.appraisal_content import shares_content

    content = shares_content(answers)
    return figure_part(
        name,
        concern_figure(content, width_mm=WIDTH_MM),
        redraw=lambda width_mm, page_mm: (concern_figure(content, width_mm=width_mm),),
        caption=f"Share of the weight at each concern about bias, {count(len(answers), 'answer')}.",
        more="The table below says the same in words.",
        kinds=kinds,
    )
