"""Write a report: the page, its figures as files, and all findings as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from metakit.core.files import write_atomically
from metakit.decision.certainty import certainty_json
from metakit.decision.summary import summary_tables
from metakit.report.bibliography_files import BIBTEX, CSL_JSON, bibtex, csl_json
from metakit.report.figures import draw_all
from metakit.report.page import Page, render_page
from metakit.report.summary_files import CSV, WORD, summary_csv, summary_document
from metakit.synthesis.findings import Findings

PAGE = "report.html"
NUMBERS = "findings.json"
FIGURES = "figures"


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
        Made when missing; files of the same names are replaced, each whole or not at all.
    figure_kinds : tuple of str
        Endings of the figure files: ".svg", ".pdf", ".png".
    progress : callable, optional
        Gets a line of text before each figure and file.

    Returns
    -------
    Path
        The page.
    """
    say = progress or (lambda text: None)
    figures = draw_all(findings, kinds=figure_kinds, progress=say)
    say("writing the page")
    page = Page(findings=findings, figures=figures)
    html = render_page(page)
    tables = summary_tables(findings, page.certainties)
    answer = {**findings.to_json(), **certainty_json(page.certainties)}
    numbers = json.dumps(answer, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    for part in figures.all:
        for kind, content in part.files.items():
            write_atomically(out_dir / FIGURES / f"{part.name}{kind}", content)
    write_atomically(out_dir / NUMBERS, numbers)
    sources = [source for _, source in page.citations.listed()]
    write_atomically(out_dir / BIBTEX, bibtex(sources))
    write_atomically(out_dir / CSL_JSON, csl_json(sources))
    if tables:
        write_atomically(out_dir / CSV, summary_csv(tables, invented=findings.protocol.invented))
        write_atomically(out_dir / WORD, summary_document(tables, findings.protocol))
    # The page last: whoever sees it finds everything beside it.
    return write_atomically(out_dir / PAGE, html)
