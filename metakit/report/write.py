"""Write a report: the page, its figures as files, and all findings as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from metakit.core.sharing import Mapper
from metakit.core.values import PaperPlace
from metakit.decision.certainty import (
    Certainty,
    all_certainties,
    certainty_json,
    network_certainties,
    pair_certainties,
)
from metakit.decision.summary import summary_tables
from metakit.errors import UsageError
from metakit.report.appendix import APPENDIX
from metakit.report.causes_file import NAME as CAUSES_CSV
from metakit.report.causes_file import causes_csv
from metakit.report.drawing.figures import draw_all
from metakit.report.drawing.preset_figures import preset_files
from metakit.report.folders.bundle import BUNDLE, Standing, bundle_bytes
from metakit.report.folders.changes import Changes, changes_since
from metakit.report.folders.changes_monitoring import monitoring_sentences
from metakit.report.folders.changes_reading import EarlierReport
from metakit.report.folders.output_folder import FIGURES, NUMBERS, Written, check_folder, write_folder
from metakit.report.folders.place_files import NOT_BUNDLED, check_places, keep_from_git, place_files
from metakit.report.json_text import json_text
from metakit.report.page import Page
from metakit.report.render import render_brief, render_page_with_appendix
from metakit.report.reporting.bibliography_files import BIBTEX, CSL_JSON, bibtex, csl_json
from metakit.report.reporting.checklist import checklists
from metakit.report.reporting.checklist_files import CSV as CHECKLIST_CSV
from metakit.report.reporting.checklist_files import WORD as CHECKLIST_WORD
from metakit.report.reporting.checklist_files import checklist_csv, checklist_document
from metakit.report.summary_files import CSV, WORD, summary_csv, summary_document
from metakit.synthesis.findings import Findings
from metakit.telling.blocks import PlaceShown
from metakit.telling.facts import Facts
from metakit.telling.planning.plan_account import plan_account

PAGE, BRIEF = "report.html", "brief.html"
CHANGES = "changes.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenReport:
    """The page's path, what was written, removed and left alone in its folder, and what changed since."""

    page: Path
    folder: Written
    changes: Changes | None = None


def write_report(
    findings: Findings,
    out_dir: Path,
    *,
    figure_kinds: tuple[str, ...] = (".svg",),
    word: bool = False,
    presets: Sequence[str] = (),
    progress: Callable[[str], None] | None = None,
) -> Path:
    """Write `report.html` with `figures/`, `findings.json` and the files for writers beside it.

    Those are the summary of findings and the reporting checklist (Word and CSV) and the cited sources
    (BibTeX and CSL JSON).
    The page is one file that needs nothing else: style and figures are inside, nothing is loaded; with more
    than 200 figures, it shows their files beside it, as a reader comes near, and keeps its long folds in
    `report_appendix.html`. The same
    findings give the same bytes; a date appears only when SOURCE_DATE_EPOCH is set.

    Parameters
    ----------
    findings : Findings
        What a review found.
    out_dir : Path
        Made when missing. Files that an earlier run wrote are replaced, or removed when this one has none of
        that name; those that somebody edited stay, and ours are written beside them.
    figure_kinds : tuple of str
        Endings of the figure files: ".svg", ".pdf", ".png".
    word : bool
        Whether to write the whole report as Word documents as well, `report.docx` and its appendix.
    presets : sequence of str
        Names of sizes (`metakit.plots.presets`) to draw all figures at as well.
    progress : callable, optional
        Gets a line of text before each figure and file.

    Returns
    -------
    Path
        The page.
    """
    return write_whole_report(
        findings, out_dir, figure_kinds=figure_kinds, word=word, presets=presets, progress=progress
    ).page


def write_whole_report(
    findings: Findings,
    out_dir: Path,
    *,
    figure_kinds: tuple[str, ...] = (".svg",),
    word: bool = False,
    presets: Sequence[str] = (),
    since: EarlierReport | None = None,
    bundle_of: Path | None = None,
    places_from: Path | None = None,
    stood: Standing | None = None,
    progress: Callable[[str], None] | None = None,
    mapper: Mapper = map,
) -> WrittenReport:
    """Write a report as `write_report` does; return what happened in its folder as well.

    Parameters
    ----------
    since : EarlierReport, optional
        Findings of an earlier report; the page and `changes.json` then tell what changed.
    bundle_of : Path, optional
        The review folder, to pack review and report into one file beside the page.
    places_from : Path, optional
        The review folder, to show pictures of the places in its papers at the paths of numbers. They are
        for the reader's own work: publishers hold the copyright, so no bundle is made with them.
    stood : mapping, optional
        How the files of that folder stood before it was read.
    mapper : callable, optional
        Shares the drawing (`metakit.core.sharing`); the files are the same.

    Raises
    ------
    DataError
        When a file of the review cannot go into a bundle.
    UsageError
        When a bundle is asked for together with pictures of papers.
    """
    if bundle_of is not None and places_from is not None:
        raise UsageError(NOT_BUNDLED)
    shown, pictures = place_files(findings, places_from, out_dir) if places_from is not None else ({}, {})
    if pictures:
        check_folder(out_dir)
        check_places(out_dir)
        keep_from_git(out_dir)
    changes = _changes(findings, since) if since else None
    files = report_files(
        findings,
        figure_kinds=figure_kinds,
        word=word,
        presets=presets,
        changes=changes,
        places=shown,
        progress=progress,
        mapper=mapper,
    )
    if bundle_of is not None:
        packed = bundle_bytes(
            bundle_of, files, versions=findings.versions, inputs=findings.inputs, stood=stood
        )
        files = {BUNDLE: packed, **files}
    written = write_folder(out_dir, {**pictures, **files})
    return WrittenReport(page=out_dir / written.beside.get(PAGE, PAGE), folder=written, changes=changes)


def _changes(findings: Findings, since: EarlierReport) -> Changes:
    certainties = all_certainties(findings)
    now = json.loads(numbers_text(findings, certainties))
    found = changes_since(since, now, (*certainties, *pair_certainties(findings)))
    which = [change.analysis for change in found.answers if change.came]
    return replace(found, monitoring=monitoring_sentences(findings.analyses, certainties, which))


def report_files(
    findings: Findings,
    *,
    figure_kinds: Sequence[str] = (".svg",),
    word: bool = False,
    presets: Sequence[str] = (),
    changes: Changes | None = None,
    places: Mapping[PaperPlace, PlaceShown] | None = None,
    progress: Callable[[str], None] | None = None,
    mapper: Mapper = map,
) -> dict[str, bytes]:
    """Return the files of a report by their path within its folder; the page comes last."""
    say = progress or (lambda text: None)
    figures = draw_all(findings, kinds=figure_kinds, progress=say, mapper=mapper)
    say("writing the page")
    page = Page(findings=findings, figures=figures, changes=changes, places=places or {})
    html, appendix = render_page_with_appendix(page, PAGE)
    tables = summary_tables(findings, page.certainties)
    files = {
        f"{FIGURES}/{part.name}{kind}": content
        for part in figures.all
        for kind, content in part.files.items()
    }
    files[NUMBERS] = numbers_text(findings, page.certainties).encode()
    if changes is not None:
        files[CHANGES] = (json.dumps(changes.to_json(), indent=2, ensure_ascii=False) + "\n").encode()
    if tables:
        files[CSV] = summary_csv(tables, invented=findings.protocol.invented).encode()
        files[WORD] = summary_document(tables, findings.protocol)
    if causes := causes_csv(findings):
        files[CAUSES_CSV] = causes.encode()
    files |= _for_writers(page)
    for name, content in preset_files(figures, presets, progress=say).items():
        files[f"{FIGURES}/{name}"] = content
    if word:
        from metakit.report.word_documents.word_report import BRIEF as BRIEF_DOCUMENT
        from metakit.report.word_documents.word_report import brief_document, report_documents

        say("writing the Word documents")
        files |= report_documents(page)
        files[BRIEF_DOCUMENT] = brief_document(page)
    files[BRIEF] = render_brief(page, PAGE).encode()
    if appendix:
        files[APPENDIX] = appendix.encode()
    # The page last: whoever sees it finds everything beside it.
    files[PAGE] = html.encode()
    return files


def _for_writers(page: Page) -> dict[str, bytes]:
    """Return what a manuscript needs beside the report: the checklist filled in, and the cited sources."""
    protocol, lists = page.findings.protocol, checklists(page)
    sources = [source for _, source in page.citations.listed()]
    return {
        CHECKLIST_CSV: checklist_csv(lists, invented=protocol.invented).encode(),
        CHECKLIST_WORD: checklist_document(lists, title=protocol.title, invented=protocol.invented),
        BIBTEX: bibtex(sources).encode(),
        CSL_JSON: csl_json(sources).encode(),
    }


def numbers_text(findings: Findings, certainties: Sequence[Certainty] | None = None) -> str:
    """Return all findings as the text of `findings.json`."""
    found = all_certainties(findings) if certainties is None else certainties
    judged = certainty_json(found, network_certainties(findings), pair_certainties(findings))
    answer = {**findings.to_json(), **judged}
    answer["planned"] = [line.to_json() for line in plan_account(Facts.of(findings))]
    return json_text(answer) + "\n"
