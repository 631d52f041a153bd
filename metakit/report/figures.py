"""The figures of a report: drawn once, as inline SVG for the page and as files beside it."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from metakit.measures.registry import MEASURES
from metakit.plots.funnel_content import FEWEST_TO_JUDGE
from metakit.report.figure_content import forest_of, funnel_of, overview_of
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.spoken import count, listed
from metakit.synthesis.words import lower_first

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FOREST_MM = 180.0
FUNNEL_MM = 140.0
FEWEST_FOR_FUNNEL = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class FigurePart:
    """One figure: inline SVG, caption, the text that stands for it, and the bytes of its files by ending."""

    name: str
    svg: str
    caption: str
    text: str
    files: dict[str, bytes]

    @property
    def markup(self) -> Markup:
        """The SVG for a template; it comes from our own figures, which escape every name."""
        return Markup(self.svg)  # noqa: S704


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultPart:
    """One analysis on the page: its anchor, its label among the analyses of its question, its figures."""

    finding: AnalysisFinding
    anchor: str
    label: str
    forest: FigurePart | None
    funnel: FigurePart | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFigures:
    """All figures of a report: the overview, and those of each analysis."""

    overview: FigurePart | None
    results: tuple[ResultPart, ...]

    @property
    def all(self) -> tuple[FigurePart, ...]:
        """Every figure, in the order of the page."""
        found = [self.overview, *(figure for part in self.results for figure in (part.forest, part.funnel))]
        return tuple(figure for figure in found if figure is not None)


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
    results = []
    asked = Counter(_question(finding) for finding in findings.analyses)
    for number, finding in enumerate(findings.analyses, start=1):
        progress(f"drawing {finding.plan.id}")
        name = f"{number:02d}-{slug(finding.plan.id)}"
        results.append(
            ResultPart(
                finding=finding,
                anchor=f"result-{name}",
                label=_label(finding, repeated=asked[_question(finding)] > 1),
                forest=_forest(finding, name, kinds),
                funnel=_funnel(finding, name, kinds),
            )
        )
    return ReportFigures(overview=_overview(findings, kinds), results=tuple(results))


def _question(finding: AnalysisFinding) -> tuple[str, str, tuple[str, ...]]:
    return finding.term.id, finding.plan.comparison, finding.plan.techniques


def _label(finding: AnalysisFinding, *, repeated: bool) -> str:
    """Name an analysis within its question; the measure tells two analyses of one outcome apart."""
    measure = MEASURES[finding.plan.measure].label
    return f"{finding.term.label} ({measure})" if repeated else finding.term.label


def slug(text: str) -> str:
    """Return a name that is safe as an anchor and a file name: `a-z`, digits and `-`, at most 60 of them."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60] or "analysis"


def _forest(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.forest import forest_figure

    if finding.table is None or len(finding.table) == 0:
        return None
    groups = [f"{len(part.studies)} {lower_first(part.label)}" for part in finding.by_design]
    by_design = f": {listed(groups)}" if len(groups) > 1 else ""
    return _part(
        f"forest-{name}",
        forest_figure(forest_of(finding, finding.table), width_mm=FOREST_MM),
        caption=f"Forest plot of {count(len(finding.numbers), 'study', 'studies')}{by_design}.",
        more=f"{finding.sentences[0]} The numbers of each study stand in the table below.",
        kinds=kinds,
    )


def _funnel(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.funnel import funnel_figure

    result = finding.result
    if finding.table is None or result is None or result.k < FEWEST_FOR_FUNNEL:
        return None
    few = " With fewer than ten studies its shape says nothing." if result.k < FEWEST_TO_JUDGE else ""
    return _part(
        f"funnel-{name}",
        funnel_figure(funnel_of(finding, finding.table, result), width_mm=FUNNEL_MM),
        caption=f"Funnel plot of {count(result.k, 'study', 'studies')}.{few}",
        more="Each study stands at its effect, the more precise or larger ones higher up.",
        kinds=kinds,
    )


def _overview(findings: Findings, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.overview import overview_figure

    content = overview_of(findings)
    if content is None:
        return None
    answered = sum(row.estimate is not None for row in content.rows)
    planned = count(len(content.rows), "planned analysis", "planned analyses")
    return _part(
        "overview",
        overview_figure(content, width_mm=FOREST_MM),
        caption=f"{planned}, {answered} with an answer.",
        more="The list below the figure tells each of them in words.",
        kinds=kinds,
    )


def _part(name: str, figure: Figure, *, caption: str, more: str, kinds: Sequence[str]) -> FigurePart:
    from metakit.plots.save import figure_bytes
    from metakit.plots.svg import figure_svg

    text = f"{caption} {more}"
    svg = figure_svg(figure, text)
    files = {kind: figure_bytes(figure, kind) for kind in kinds if kind != ".svg"}
    if ".svg" in kinds:
        files[".svg"] = f'<?xml version="1.0" encoding="utf-8"?>\n{svg}\n'.encode()
    return FigurePart(name=name, svg=svg, caption=caption, text=text, files=files)
