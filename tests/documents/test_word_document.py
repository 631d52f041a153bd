"""The demo review's Word report: the page's numbers and sentences; opened by LibreOffice where that is installed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from docx import Document
from docx.document import Document as WordDocument

from metakit.report.word_documents.word_document import MARGIN_MM

OFFICE = shutil.which("soffice")


@pytest.fixture(scope="module")
def document(demo_report: Path) -> WordDocument:
    return Document(str(demo_report / "report.docx"))


@pytest.fixture(scope="module")
def appendix(demo_report: Path) -> WordDocument:
    return Document(str(demo_report / "report_appendix.docx"))


def all_text(document: WordDocument) -> str:
    cells = [cell.text for table in document.tables for row in table.rows for cell in row.cells]
    return "\n".join([*(paragraph.text for paragraph in document.paragraphs), *cells])


@pytest.fixture(scope="module")
def text(document: WordDocument) -> str:
    return all_text(document)


def test_every_sentence_of_every_answer_is_in_the_document_or_its_appendix(
    demo_report: Path, text: str, appendix: WordDocument
) -> None:
    text += all_text(appendix)
    found = json.loads((demo_report / "findings.json").read_text(encoding="utf-8"))
    assert len(found["analyses"]) >= 20
    for analysis in found["analyses"]:
        for sentence in (*analysis["sentences"], *analysis["cautions"]):
            assert sentence in text
    headline = next(a for a in found["analyses"] if a["id"] == "complications_lrti")["result"][
        "back_transformed"
    ]
    estimate, (low, high) = headline["estimate"], headline["interval"]
    assert f"{estimate:.2f} ({low:.2f} to {high:.2f})" in text


def test_invented_data_cautions_and_what_is_still_to_write_are_told(
    document: WordDocument, text: str
) -> None:
    assert "INVENTED DEMONSTRATION DATA" in text
    assert "INVENTED" in document.sections[0].header.paragraphs[0].text
    for caution in ("licensed clinicians", "Local codes", "statistician"):
        assert caution in text
    assert "What the authors still have to write" in text
    for banned in ("statistically significant", "not significant", "we recommend", "moderate heterogeneity"):
        assert banned not in text.lower()


def test_every_study_every_search_and_every_exclusion_has_its_row(
    demo_report: Path, document: WordDocument, appendix: WordDocument
) -> None:
    found = json.loads((demo_report / "findings.json").read_text(encoding="utf-8"))
    first = {
        row.cells[0].text.split("\n")[0]
        for one in (document, appendix)
        for table in one.tables
        for row in table.rows
    }
    assert {study["study"] for study in found["studies"]} <= first
    assert {search["name"] for search in found["selection"]["searches"]} <= first
    titles = " ".join(first)
    for excluded in found["selection"]["excluded_on_full_text"]:
        assert excluded["title"].rstrip(".") in titles


def test_sources_of_the_text_are_those_of_the_files_for_reference_managers(
    demo_report: Path, text: str
) -> None:
    items = json.loads((demo_report / "methods_references.json").read_text(encoding="utf-8"))
    bibtex = (demo_report / "methods_references.bib").read_text(encoding="utf-8")
    listed = re.findall(r"^\d+\.\t(.+)$", text, flags=re.MULTILINE)
    assert len(items) == bibtex.count("\n@") + bibtex.startswith("@") >= len(listed) > 20
    titles = {item["title"] for item in items}
    assert all(any(title in line for title in titles) for line in listed)


def test_checklists_of_the_review_and_of_its_network_are_beside_it(demo_report: Path) -> None:
    lines = (demo_report / "reporting_checklist.csv").read_text(encoding="utf-8").splitlines()
    assert sum(line.startswith("PRISMA 2020,") for line in lines) == 42
    assert sum(line.startswith("PRISMA extension for networks") for line in lines) == 32
    assert len(Document(str(demo_report / "reporting_checklist.docx")).tables) == 2


def printed(document: Path, folder: Path) -> Path:
    """Return the document as another program prints it."""
    profile = f"-env:UserInstallation=file://{folder}/profile"
    done = subprocess.run(
        [str(OFFICE), profile, "--headless", "--convert-to", "pdf", "--outdir", str(folder), str(document)],
        capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    made = folder / f"{document.stem}.pdf"
    if not made.is_file() and "no export filter" in done.stderr:
        pytest.skip("soffice has no part for text documents (Debian: libreoffice-writer); nothing was opened")
    assert made.is_file(), done.stderr
    return made


def typeset_as_here() -> bool:
    """Whether the type that stands for Arial is the one with which the pages were looked at."""
    match = shutil.which("fc-match")
    if OFFICE is None or match is None:
        return False
    return "DejaVuSans" in subprocess.run([match, "Arial"], capture_output=True, text=True).stdout


@pytest.mark.walk
@pytest.mark.skipif(
    not typeset_as_here(), reason="soffice, or DejaVu Sans for Arial, is not here: other pages"
)
def test_no_page_of_the_report_is_half_empty_but_where_a_part_ends(demo_report: Path, tmp_path: Path) -> None:
    """Pages are measured between their margins; a lying part and the document end where they end."""
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(printed(demo_report / "report.docx", tmp_path))
    lying = [page.get_width() > page.get_height() for page in document]
    filled = []
    for page in document:
        dark = np.asarray(page.render(scale=0.5).to_pil().convert("L")) < 200
        margin = round(MARGIN_MM / 25.4 * 72 * 0.5)
        written = np.flatnonzero(dark[margin:-margin].any(axis=1))
        filled.append((written[-1] + 1) / (len(dark) - 2 * margin) if len(written) else 0.0)
    ends = {len(filled) - 1} | {place for place in range(len(lying) - 1) if lying[place] > lying[place + 1]}
    short = {
        place + 1: round(fill, 2) for place, fill in enumerate(filled) if fill < 0.6 and place not in ends
    }
    assert short == {}
    assert len(filled) <= 45


@pytest.mark.slow
@pytest.mark.skipif(
    OFFICE is None, reason="soffice (Debian: libreoffice-writer) is not installed; nothing was opened"
)
@pytest.mark.parametrize("name", ["report", "brief", "reporting_checklist", "summary_of_findings"])
def test_another_program_opens_it_and_prints_every_page(demo_report: Path, tmp_path: Path, name: str) -> None:
    made = printed(demo_report / f"{name}.docx", tmp_path)
    pages = len(re.findall(rb"/Type\s*/Page[^s]", made.read_bytes()))
    bounds = {
        "report": (20, 45),
        "brief": (2, 3),
        "reporting_checklist": (4, 30),
        "summary_of_findings": (5, 30),
    }
    fewest, most = bounds[name]
    assert fewest <= pages <= most
