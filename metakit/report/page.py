"""What the sections of a page build from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from metakit.core.values import PaperPlace
from metakit.decision.certainty import Certainty
from metakit.report.citations import Citations
from metakit.report.drawing.figures import ReportFigures, ResultPart
from metakit.report.folders.changes import Changes
from metakit.report.html import Html
from metakit.synthesis.findings import Findings
from metakit.telling.blocks import PlaceShown
from metakit.telling.facts import Facts


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What the sections build from: the findings, their figures, and the citations made so far.

    `facts` are the findings ready to be told. `changes` is what changed since an earlier report, None where
    it was not asked for; `places` are pictures of places in papers, beside the page. `home` is the page that
    links lead to, "" for the one that is built.
    """

    findings: Findings
    figures: ReportFigures
    changes: Changes | None = None
    citations: Citations = field(default_factory=Citations)
    home: str = ""
    places: Mapping[PaperPlace, PlaceShown] = field(default_factory=dict)
    facts: Facts = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "facts", Facts.of(self.findings, self.places))

    @property
    def certainties(self) -> tuple[Certainty, ...]:
        """The certainty of every answered comparison."""
        return self.facts.certainties

    @property
    def html(self) -> Html:
        """Write blocks with the figures and citations of this page."""
        figures = {part.name: part for part in self.figures.all}
        return Html(figures=figures, citations=self.citations, home=self.home)

    def by_question(self) -> list[tuple[str, list[ResultPart]]]:
        """Group analyses by the comparison, or the series, that they are about, in the order of the plan."""
        groups: dict[str, list[ResultPart]] = {}
        for part in self.figures.results:
            comparison = part.finding.comparison
            label = (
                comparison.label if comparison else f"Single-arm series: {part.finding.plan.techniques_label}"
            )
            groups.setdefault(label, []).append(part)
        return list(groups.items())
