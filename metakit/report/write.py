"""Write a report: the page, its figures as files, and all findings as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.decision.certainty import Certainty, all_certainties, certainty_json
from metakit.decision.summary import summary_tables
from metakit.report.figures import draw_all
from metakit.report.output_folder import FIGURES, Written, write_folder
from metakit.report.page import Page, render_page
from metakit.report.summary_files import CSV, WORD, summary_csv, summary_document
from metakit.synthesis.findings import Findings

PAGE = "report.html"
NUMBERS = "findings.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenReport:
    """The page's path, and what was written, removed and left alone in its folder."""

    page: Path
    folder: Written


def write_report(
    findings: Findings,
    out_dir: Path,
    *,
    figure_kinds: tuple[str, ...] = (".svg",),
    progress: Callable[[str], None] | None = None,
) -> Path:
    """Write `report.html` with `figures/`, `findings.json` and the summary of findings (Word, CSV) beside it.

    The page is one file that needs nothing else: style and figures are inside, nothing is loaded. The same
    findings give the same bytes; a date appears only when SOURCE_DATE_EPOCH is set.

    Parameters
    ----------
    findings : Findings
        What a review found.
    out_dir : Path
        Made when missing; files of the same names are replaced, each whole or not at all. Files that an
        earlier run wrote and this one does not are removed, unless somebody changed them.
    figure_kinds : tuple of str
        Endings of the figure files: ".svg", ".pdf", ".png".
    progress : callable, optional
        Gets a line of text before each figure and file.

    Returns
    -------
    Path
        The page.
    """
    return write_whole_report(findings, out_dir, figure_kinds=figure_kinds, progress=progress).page


def write_whole_report(
    findings: Findings,
    out_dir: Path,
    *,
    figure_kinds: tuple[str, ...] = (".svg",),
    progress: Callable[[str], None] | None = None,
) -> WrittenReport:
    """Write a report as `write_report` does; return what happened in its folder as well."""
    files = report_files(findings, figure_kinds=figure_kinds, progress=progress)
    return WrittenReport(page=out_dir / PAGE, folder=write_folder(out_dir, files))


def report_files(
    findings: Findings,
    *,
    figure_kinds: Sequence[str] = (".svg",),
    progress: Callable[[str], None] | None = None,
) -> dict[str, bytes]:
    """Return the files of a report by their path within its folder; the page comes last."""
    say = progress or (lambda text: None)
    figures = draw_all(findings, kinds=figure_kinds, progress=say)
    say("writing the page")
    page = Page(findings=findings, figures=figures)
    html = render_page(page)
    tables = summary_tables(findings, page.certainties)
    files = {
        f"{FIGURES}/{part.name}{kind}": content
        for part in figures.all
        for kind, content in part.files.items()
    }
    files[NUMBERS] = numbers_text(findings, page.certainties).encode()
    if tables:
        files[CSV] = summary_csv(tables, invented=findings.protocol.invented).encode()
        files[WORD] = summary_document(tables, findings.protocol)
    # The page last: whoever sees it finds everything beside it.
    files[PAGE] = html.encode()
    return files


def numbers_text(findings: Findings, certainties: Sequence[Certainty] | None = None) -> str:
    """Return all findings as the text of `findings.json`."""
    found = all_certainties(findings) if certainties is None else certainties
    answer = {**findings.to_json(), **certainty_json(found)}
    return json.dumps(answer, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
