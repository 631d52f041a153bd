"""The figures of a report: drawn once, as inline SVG for the page and as files beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from metakit.core.written import count, listed
from metakit.plots.forests.funnel_content import FEWEST_TO_JUDGE
from metakit.report.drawing.appraisal_figures import AppraisalFigures, draw_appraisal
from metakit.report.drawing.exploration_figures import draw_explorations
from metakit.report.drawing.exploration_parts import ExplorationFigures
from metakit.report.drawing.figure_content import forest_of, funnel_of, overview_of
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.report.drawing.network_figures import NetworkFigures, draw_network
from metakit.report.drawing.selection_figures import SelectionFigures, draw_selection
from metakit.report.drawing.trouble_figures import draw_trouble
from metakit.report.drawing.unpooled import draw_directions
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.words import lower_first
from metakit.telling.facts import RESULT, Names

FOREST_MM = 180.0
FUNNEL_MM = 140.0
FEWEST_FOR_FUNNEL = 3
MOST_ROWS = 10
"""Analyses in one piece of the overview: as many as a printed page shows in readable type."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultPart:
    """One analysis on the page: its anchor, its label among the analyses of its question, its figures."""

    finding: AnalysisFinding
    anchor: str
    label: str
    forest: FigurePart | None
    funnel: FigurePart | None
    directions: FigurePart | None = None

    @property
    def name(self) -> str:
        """The end of the names of its figures, unique in the report."""
        return self.anchor.removeprefix(RESULT)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFigures:
    """All figures of a report: the overview, and those of each analysis.

    `overview` is one picture of all analyses, kept as a file; `overview_parts` is what the page shows: the
    same cut into pieces that fit a printed page.
    """

    overview: FigurePart | None
    overview_parts: tuple[FigurePart, ...]
    results: tuple[ResultPart, ...]
    appraisal: AppraisalFigures = field(default_factory=AppraisalFigures)
    selection: SelectionFigures = field(default_factory=SelectionFigures)
    networks: tuple[NetworkFigures, ...] = ()
    explorations: ExplorationFigures = field(default_factory=ExplorationFigures)
    trouble: tuple[FigurePart, ...] = ()

    @property
    def all(self) -> tuple[FigurePart, ...]:
        """Every figure, in the order of the page."""
        found = [
            *self.trouble,
            self.overview,
            *self.overview_parts,
            *self.selection.all,
            *self.appraisal.all,
            *(figure for network in self.networks for figure in network.parts.values()),
            *(figure for part in self.results for figure in (part.directions, part.forest, part.funnel)),
            *self.explorations.all,
        ]
        return tuple({figure.name: figure for figure in found if figure is not None}.values())


def draw_all(findings: Findings, *, kinds: Sequence[str], progress: Callable[[str], None]) -> ReportFigures:
    """Draw the overview, and forest and funnel plots of every analysis.

    Parameters
    ----------
    findings : Findings
        What the review found.
    kinds : sequence of str
        Endings of the files to write (".svg", ".pdf", ".png").
    progress : callable
        Gets a line of text before each analysis.
    """
    results, names = [], Names.of(findings)
    for finding in findings.analyses:
        progress(f"drawing {finding.plan.id}")
        named = names.analyses[finding.plan.id]
        name = named.end
        results.append(
            ResultPart(
                finding=finding,
                anchor=named.anchor,
                label=named.label,
                forest=_forest(finding, name, kinds),
                funnel=_funnel(finding, name, kinds),
                directions=draw_directions(finding, name, kinds, width_mm=FOREST_MM),
            )
        )
    progress("drawing explorations and sensitivity analyses")
    explorations = draw_explorations([(part.name, part.finding) for part in results], kinds)
    networks = []
    for network in findings.networks:
        progress(f"drawing {network.plan.id}")
        networks.append(draw_network(network, names.networks[network.plan.id].end, kinds))
    progress("drawing the overview")
    overview, pieces = _overviews(findings.analyses, kinds)
    progress("drawing the appraisal")
    return ReportFigures(
        trouble=draw_trouble(findings, kinds),
        overview=overview,
        overview_parts=pieces,
        results=tuple(results),
        appraisal=draw_appraisal(findings, kinds),
        selection=draw_selection(findings, kinds),
        networks=tuple(networks),
        explorations=explorations,
    )


def _forest(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.forests.forest import forest_figure
    from metakit.plots.pages import in_pages

    if finding.table is None or len(finding.table) == 0:
        return None
    groups = [f"{lower_first(part.label)} ({len(part.studies)})" for part in finding.by_design]
    by_design = f": {listed(groups)}" if len(groups) > 1 else ""
    content = forest_of(finding, finding.table)
    return figure_part(
        f"forest-{name}",
        forest_figure(content, width_mm=FOREST_MM),
        redraw=lambda width_mm, page_mm: tuple(
            forest_figure(part, width_mm=width_mm)
            for part in in_pages(content, width_mm=width_mm, page_height_mm=page_mm)
        ),
        caption=f"Forest plot of {count(len(finding.numbers), 'study', 'studies')}{by_design}.",
        more=f"{finding.sentences[0]} The numbers of each study stand in the table below.",
        kinds=kinds,
    )


def _funnel(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.forests.funnel import funnel_figure

    result = finding.result
    if finding.table is None or result is None or result.k < FEWEST_FOR_FUNNEL:
        return None
    few = " With fewer than ten studies its shape says nothing." if result.k < FEWEST_TO_JUDGE else ""
    content = funnel_of(finding, finding.table, result)
    return figure_part(
        f"funnel-{name}",
        funnel_figure(content, width_mm=FUNNEL_MM),
        redraw=lambda width_mm, page_mm: (funnel_figure(content, width_mm=width_mm),),
        caption=f"Funnel plot of {count(result.k, 'study', 'studies')}.{few}",
        more="Each study stands at its effect, the more precise or larger ones higher up.",
        kinds=kinds,
    )


def _overviews(
    analyses: Sequence[AnalysisFinding], kinds: Sequence[str]
) -> tuple[FigurePart | None, tuple[FigurePart, ...]]:
    """Draw all analyses in one picture and, where that would not fit a page, in pieces as well."""
    if not analyses:
        return None, ()
    whole = _overview("overview", analyses, "", kinds)
    pieces = in_pieces(analyses)
    if len(pieces) == 1:
        return whole, (whole,)
    return whole, tuple(
        _overview(f"overview-{number}", piece, f", {number} of {len(pieces)}", kinds)
        for number, piece in enumerate(pieces, start=1)
    )


def in_pieces(analyses: Sequence[AnalysisFinding], most: int = MOST_ROWS) -> list[list[AnalysisFinding]]:
    """Cut analyses into pieces of at most `most`, between two questions where a question fits a piece."""
    pieces: list[list[AnalysisFinding]] = [[]]
    for _, members in groupby(
        analyses, key=lambda finding: (finding.plan.comparison, finding.plan.techniques)
    ):
        group = list(members)
        if pieces[-1] and len(pieces[-1]) + len(group) > most:
            pieces.append([])
        for finding in group:
            if len(pieces[-1]) == most:
                pieces.append([])
            pieces[-1].append(finding)
    return pieces


def _overview(name: str, analyses: Sequence[AnalysisFinding], which: str, kinds: Sequence[str]) -> FigurePart:
    from metakit.plots.forests.overview import overview_figure

    answered = sum(finding.result is not None for finding in analyses)
    planned = count(len(analyses), "planned analysis", "planned analyses")
    content = overview_of(analyses, which)
    return figure_part(
        name,
        overview_figure(content, width_mm=FOREST_MM),
        redraw=lambda width_mm, page_mm: (overview_figure(content, width_mm=width_mm),),
        caption=f"Overview{which}: {planned}, {answered} with an answer.",
        more="The list below the figure tells each of them in words.",
        kinds=kinds,
    )
