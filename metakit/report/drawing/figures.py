"""The figures of a report: drawn once, as inline SVG for the page and as files beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from itertools import groupby
from typing import TypeVar, cast

from metakit.core.sharing import Mapper
from metakit.core.written import count
from metakit.report.drawing.analysis_figures import FOREST_MM, drawn_by
from metakit.report.drawing.appraisal_figures import AppraisalFigures, draw_appraisal
from metakit.report.drawing.exploration_parts import ExplorationFigures
from metakit.report.drawing.figure_content import overview_of
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.report.drawing.network_figures import NetworkFigures, draw_network
from metakit.report.drawing.selection_figures import SelectionFigures, draw_selection
from metakit.report.drawing.trouble_figures import draw_trouble
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.telling.facts import RESULT, Names

_HERE = __name__.rpartition(".")[0]
MOST_ON_PAGE = 200
"""Figures that a page holds itself; of more, it shows the files beside it."""
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


def draw_all(
    findings: Findings, *, kinds: Sequence[str], progress: Callable[[str], None], mapper: Mapper = map
) -> ReportFigures:
    """Draw the overview, and forest and funnel plots of every analysis.

    Parameters
    ----------
    findings : Findings
        What the review found.
    kinds : sequence of str
        Endings of the files to write (".svg", ".pdf", ".png").
    progress : callable
        Gets a line of text before each analysis.
    mapper : callable, optional
        Shares the analyses (`core.sharing`); the bytes are the same.
    """
    results, names = [], Names.of(findings)
    named = [(names.analyses[finding.plan.id].end, finding) for finding in findings.analyses]
    bubbles: dict[tuple[str, str], FigurePart] = {}
    robustness = {}
    for (name, finding), drawn in zip(named, drawn_by(mapper, named, kinds), strict=True):
        progress(f"drawing {finding.plan.id}")
        place = names.analyses[finding.plan.id]
        results.append(
            ResultPart(
                finding=finding,
                anchor=place.anchor,
                label=place.label,
                forest=drawn.forest,
                funnel=drawn.funnel,
                directions=drawn.directions,
            )
        )
        bubbles |= {(name, exploration): part for exploration, part in drawn.bubbles.items()}
        robustness[name] = drawn.robustness
    networks = []
    for network in findings.networks:
        progress(f"drawing {network.plan.id}")
        networks.append(draw_network(network, names.networks[network.plan.id].end, kinds))
    progress("drawing the overview")
    overview, pieces = _overviews(findings.analyses, kinds)
    progress("drawing the appraisal")
    drawn_all = ReportFigures(
        trouble=draw_trouble(findings, kinds),
        overview=overview,
        overview_parts=pieces,
        results=tuple(results),
        appraisal=draw_appraisal(findings, kinds),
        selection=draw_selection(findings, kinds),
        networks=tuple(networks),
        explorations=ExplorationFigures(bubbles=bubbles, robustness=robustness),
    )
    return beside_the_page(drawn_all) if ".svg" in kinds and len(drawn_all.all) > MOST_ON_PAGE else drawn_all


Drawn = TypeVar("Drawn")


def beside_the_page(drawn: Drawn) -> Drawn:
    """Return figures, or what holds some, to be shown by their files beside the page."""
    if isinstance(drawn, FigurePart):
        return replace(drawn, beside=True)
    if isinstance(drawn, tuple):
        return cast(Drawn, tuple(map(beside_the_page, drawn)))
    if isinstance(drawn, dict):
        return cast(Drawn, {name: beside_the_page(part) for name, part in drawn.items()})
    if type(drawn).__module__.startswith(_HERE) and is_dataclass(drawn) and not isinstance(drawn, type):
        parts = {part.name: beside_the_page(getattr(drawn, part.name)) for part in fields(drawn) if part.init}
        return cast(Drawn, replace(drawn, **parts))
    return drawn


def _overviews(
    analyses: Sequence[AnalysisFinding], kinds: Sequence[str]
) -> tuple[FigurePart | None, tuple[FigurePart, ...]]:
    """Draw all answers in one picture and, where that would not fit a page, in pieces as well.

    An analysis without an answer has nothing to draw; the caption counts it, the list below tells why.
    """
    planned = len(analyses)
    analyses = [finding for finding in analyses if finding.result is not None]
    if not analyses:
        return None, ()
    whole = _overview("overview", analyses, "", kinds, planned=planned)
    pieces = in_pieces(analyses)
    if len(pieces) == 1:
        return whole, (whole,)
    return whole, tuple(
        _overview(f"overview-{number}", piece, f", {number} of {len(pieces)}", kinds, planned=planned)
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


def _overview(
    name: str, analyses: Sequence[AnalysisFinding], which: str, kinds: Sequence[str], *, planned: int
) -> FigurePart:
    from metakit.plots.forests.overview import overview_figure

    of = count(planned, "planned analysis", "planned analyses")
    content = overview_of(analyses, which)
    return figure_part(
        name,
        overview_figure(content, width_mm=FOREST_MM),
        redraw=lambda width_mm, page_mm: (overview_figure(content, width_mm=width_mm),),
        caption=f"Overview{which}: {count(len(analyses), 'answer')} of {of}.",
        more="The list below the figure tells each of them in words, and why others have no answer.",
        kinds=kinds,
    )
