"""The short way from a review folder to a report, for scripts and notebooks.

>>> review = open_review("demo_studies")  # doctest: +SKIP
>>> findings = review.synthesise()  # doctest: +SKIP
>>> findings.write_report("out")  # doctest: +SKIP
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from metakit.core.plans import Protocol
from metakit.core.records import StudyRecord
from metakit.core.sharing import Mapper
from metakit.errors import Problem

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from metakit.decision.one_unit.unit_decision import UnitDecision
    from metakit.report.folders.bundle import Standing
    from metakit.report.folders.changes_reading import EarlierReport
    from metakit.report.write import WrittenReport
    from metakit.review.folder import ReviewFolder
    from metakit.synthesis.findings import AnalysisFinding, Findings

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class ReviewFindings:
    """What a review found, ready to be read, saved or written as a report."""

    findings: Findings
    folder: Path | None = None
    stood: Standing | None = None

    @property
    def analyses(self) -> tuple[AnalysisFinding, ...]:
        """Every analysis of the plan, answered or not."""
        return self.findings.analyses

    def analysis(self, name: str) -> AnalysisFinding:
        """Return the analysis with this id.

        Raises
        ------
        UnknownNameError
            With the nearest ids.
        """
        from metakit.errors import UnknownNameError

        for finding in self.findings.analyses:
            if finding.plan.id == name:
                return finding
        raise UnknownNameError("analysis", name, [finding.plan.id for finding in self.findings.analyses])

    def to_json(self) -> dict[str, Any]:
        """Return all findings as JSON, with the certainty of every answered comparison."""
        from metakit.decision.certainty import (
            all_certainties,
            certainty_json,
            network_certainties,
            pair_certainties,
        )

        return {
            **self.findings.to_json(),
            **certainty_json(
                all_certainties(self.findings),
                network_certainties(self.findings),
                pair_certainties(self.findings),
            ),
        }

    def appraisal_figure(self, *, width_mm: float = 180) -> Figure:
        """Draw the judgements of each study by domain; save it with `metakit.plots.save.save_figure`."""
        from metakit.plots.evidence.appraisal import appraisal_figure
        from metakit.plots.evidence.appraisal_content import appraisal_content

        content = appraisal_content(self.findings.studies, self.findings.names)
        return appraisal_figure(content, width_mm=width_mm)

    def concern_figure(self, *, width_mm: float = 180) -> Figure:
        """Draw the share of each answer's weight at each concern about bias."""
        from metakit.plots.evidence.appraisal import concern_figure
        from metakit.plots.evidence.appraisal_content import shares_content

        return concern_figure(shares_content(self.findings.analyses), width_mm=width_mm)

    def network_figure(self, name: str, figure: str = "geometry", *, width_mm: float = 180) -> Figure:
        """Draw one figure of the planned network with this id.

        Parameters
        ----------
        name : str
            Id of the network in the protocol.
        figure : str
            geometry, forest, ranks, direct_and_indirect, comparison_adjusted_funnel or components.
        width_mm : float

        Raises
        ------
        UnknownNameError
            For a network or a figure that does not exist, with the nearest names.
        NotEstimableError
            Where the network holds nothing that the figure shows.
        """
        from metakit.errors import UnknownNameError
        from metakit.report.drawing.network_figures import build_figure

        for finding in self.findings.networks:
            if finding.plan.id == name:
                return build_figure(finding, figure, width_mm=width_mm).parts[0]
        raise UnknownNameError("network", name, [finding.plan.id for finding in self.findings.networks])

    def write_report(
        self,
        out_dir: str | Path,
        *,
        word: bool = False,
        presets: Sequence[str] = (),
        progress: Progress | None = None,
    ) -> Path:
        """Write the report page with its figures and findings.json; return the path of the page.

        Parameters
        ----------
        out_dir : path
        word : bool
            Whether to write the whole report as a Word document as well.
        presets : sequence of str
            Sizes to draw all figures at as well: "single_column", ...
        progress : callable, optional
            Gets a line of text before each step.
        """
        return self.write_whole_report(out_dir, word=word, presets=presets, progress=progress).page

    def write_whole_report(
        self,
        out_dir: str | Path,
        *,
        word: bool = False,
        presets: Sequence[str] = (),
        since: EarlierReport | None = None,
        bundle: bool = False,
        places: bool = False,
        progress: Progress | None = None,
        mapper: Mapper = map,
    ) -> WrittenReport:
        """Write the report as `write_report` does; return its page and what happened in the folder.

        Parameters
        ----------
        since : EarlierReport, optional
            From `metakit.report.folders.changes_reading.read_earlier_report`, to tell what changed.
        bundle : bool
            Whether to pack the review and its report into one file as well.
        places : bool
            Whether the paths of numbers show pictures of their places in the papers whose PDFs are here.
        mapper : callable, optional
            Shares the drawing of figures (`metakit.core.sharing`); the files are the same.
        """
        from metakit.report.write import write_whole_report

        return write_whole_report(
            self.findings,
            Path(out_dir),
            word=word,
            presets=presets,
            since=since,
            bundle_of=self.folder if bundle else None,
            places_from=self.folder if places else None,
            stood=self.stood,
            progress=progress,
            mapper=mapper,
        )

    def __str__(self) -> str:
        return "\n".join(f"{finding.title}. {finding.sentences[0]}" for finding in self.findings.analyses)


@dataclass(frozen=True, slots=True)
class Review:
    """A review folder that was read and checked."""

    folder: ReviewFolder
    stood: Standing | None = None

    @property
    def protocol(self) -> Protocol:
        """The question and the plan."""
        return self.folder.protocol

    @property
    def studies(self) -> tuple[StudyRecord, ...]:
        """All study records."""
        return tuple(self.folder.studies)

    @property
    def questions(self) -> tuple[Problem, ...]:
        """Unusual values that the checks found and an extractor may want to look at."""
        return tuple(self.folder.questions)

    def synthesise(self, *, progress: Progress | None = None, mapper: Mapper = map) -> ReviewFindings:
        """Carry out the review's plan; `mapper` (of `metakit.core.sharing`) shares the analyses."""
        from metakit.synthesis.run import synthesise

        found = synthesise(self.folder, progress=progress, mapper=mapper)
        return ReviewFindings(found, self.folder.path, self.stood)


def open_review(path: str | Path) -> Review:
    """Read a review folder: its protocol and study records.

    Parameters
    ----------
    path : path
        Folder with `protocol.yaml` and the records.

    Raises
    ------
    DataError, UnreadableError
        With every problem of every file.
    """
    from metakit.report.folders.bundle import standing
    from metakit.review.folder import open_folder

    stood = standing(Path(path))  # before anything is read: what comes later is not in the numbers
    return Review(open_folder(Path(path)), stood)


def decide(review: Review | str | Path, unit: str | Path) -> UnitDecision:
    """Apply a review to the numbers of one unit.

    Parameters
    ----------
    review : Review or path
        A review folder, opened or not.
    unit : path
        The unit's file.

    Returns
    -------
    UnitDecision
        It recommends nothing: the choice stays with the unit and its patients.

    Raises
    ------
    DataError, UnreadableError
        With every problem of both.
    """
    from metakit.decision.one_unit.unit_decision import decide as decided
    from metakit.decision.one_unit.unit_reading import read_unit
    from metakit.forms.library import use_forms_of

    opened = review if isinstance(review, Review) else open_review(review)
    use_forms_of(opened.folder.path)
    return decided(opened.folder, read_unit(Path(unit)))
