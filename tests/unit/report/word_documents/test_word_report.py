"""The Word report: real tables, numbered captions and references, safe whatever was typed, the same bytes twice."""

from __future__ import annotations

import io
import itertools
import re
import zipfile
from pathlib import Path

import pytest
from docx import Document
from docx.document import Document as WordDocument
from docx.enum.section import WD_ORIENT
from docx.oxml.ns import qn
from lxml import etree

from metakit.report.drawing.figures import draw_all
from metakit.report.methods_text import methods_paragraphs
from metakit.report.page import Page
from metakit.report.shown import shown_text
from metakit.report.word_documents.word_document import reads_from_right
from metakit.report.word_documents.word_report import report_document, report_documents
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from tests.unit.report.test_page import HOSTILE, hostile_folder
from tests.unit.synthesis.invented import Folder, plan, protocol, series_plan, trial


def written(findings: Findings) -> bytes:
    figures = draw_all(findings, kinds=(), progress=lambda text: None)
    return report_document(Page(findings=findings, figures=figures))


def appendix_of(findings: Findings) -> bytes:
    figures = draw_all(findings, kinds=(), progress=lambda text: None)
    return report_documents(Page(findings=findings, figures=figures))["report_appendix.docx"]


def opened(content: bytes) -> WordDocument:
    return Document(io.BytesIO(content))


def text_of(document: WordDocument) -> str:
    cells = [cell.text for table in document.tables for row in table.rows for cell in row.cells]
    return "\n".join([*(paragraph.text for paragraph in document.paragraphs), *cells])


def captions(document: WordDocument, kind: str) -> list[str]:
    """Read captions with the numbers of their fields, which `paragraph.text` leaves out."""
    found = []
    for paragraph in document.paragraphs:
        if paragraph.style is not None and paragraph.style.name == "Caption":
            text = "".join(node.text or "" for node in paragraph._p.iter(qn("w:t")))
            if text.startswith(kind):
                found.append(text)
    return found


@pytest.fixture(scope="module")
def findings() -> Findings:
    studies = tuple(trial(str(n), 4 + n, 7) for n in range(5))
    return synthesise(Folder(protocol=protocol(plan(), series_plan(id="two")), studies=studies))


@pytest.fixture(scope="module")
def content(findings: Findings) -> bytes:
    return written(findings)


@pytest.fixture(scope="module")
def document(content: bytes) -> WordDocument:
    return opened(content)


@pytest.mark.walk
def test_two_runs_give_the_same_bytes_without_day_or_name(findings: Findings, content: bytes) -> None:
    assert written(findings) == content
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        assert {entry.date_time for entry in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        for name in packed.namelist():
            if name.endswith((".xml", ".rels")):
                etree.fromstring(packed.read(name))
        assert str(Path.home()).encode() not in b"".join(packed.read(name) for name in packed.namelist())
    facts = opened(content).core_properties
    assert facts.title and not facts.author and not facts.last_modified_by and facts.created.year == 2000


@pytest.mark.walk
def test_headings_are_styles_and_no_level_is_skipped(document: WordDocument) -> None:
    levels = [
        int(paragraph.style.name[-1])
        for paragraph in document.paragraphs
        if paragraph.style is not None and paragraph.style.name.startswith("Heading")
    ]
    assert levels[0] == 1 and len(levels) > 10
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    assert sum(p.style is not None and p.style.name == "Title" for p in document.paragraphs) == 1


@pytest.mark.lengthy
def test_tables_are_tables_with_a_heading_row_that_is_repeated(document: WordDocument) -> None:
    assert len(document.tables) == len(captions(document, "Table")) >= 4
    for table in document.tables:
        first = table.rows[0]._tr.trPr
        assert first is not None and first.find(qn("w:tblHeader")) is not None
        assert all(row._tr.trPr.find(qn("w:cantSplit")) is not None for row in table.rows)


@pytest.mark.parametrize("kind", ["Table", "Figure"])
def test_captions_count_from_one_and_every_one_is_mentioned(document: WordDocument, kind: str) -> None:
    found = captions(document, kind)
    assert [int(re.match(rf"{kind} (\d+)\. ", text)[1]) for text in found] == list(range(1, len(found) + 1))


@pytest.mark.lengthy
@pytest.mark.parametrize("which", ["report", "appendix"])
def test_figures_have_words_and_fit_their_page(
    findings: Findings, document: WordDocument, which: str
) -> None:
    if which == "appendix":
        document = opened(appendix_of(findings))
    assert len(document.inline_shapes) == len(captions(document, "Figure")) >= 1
    for shape in document.inline_shapes:
        assert len(shape._inline.docPr.get("descr")) > 40
        assert 100 <= shape.width.mm <= 174.1 and shape.height.mm <= 228.1


def test_wide_tables_lie_and_text_stands(document: WordDocument) -> None:
    kinds = {section.orientation for section in document.sections}
    assert kinds == {WD_ORIENT.PORTRAIT, WD_ORIENT.LANDSCAPE}
    for section in document.sections:
        assert (section.page_width > section.page_height) is (section.orientation == WD_ORIENT.LANDSCAPE)
    usable = {s.page_width.mm - s.left_margin.mm - s.right_margin.mm for s in document.sections}
    for table in document.tables:
        assert sum(cell.width.mm for cell in table.rows[0].cells) <= max(usable) + 0.5


def test_references_are_those_that_the_text_cites_in_their_order(document: WordDocument) -> None:
    cited = [
        int(number)
        for paragraph in document.paragraphs
        for run in paragraph.runs
        if run.font.superscript
        for number in run.text.split(", ")
    ]
    listed = [int(match[1]) for p in document.paragraphs if (match := re.match(r"(\d+)\.\t", p.text))]
    assert listed == list(range(1, len(listed) + 1)) and set(cited) == set(listed)


@pytest.mark.lengthy
def test_methods_and_answers_are_the_sentences_of_the_page(
    findings: Findings, document: WordDocument
) -> None:
    text = text_of(document)
    from metakit.report.citations import Citations

    for paragraph in methods_paragraphs(findings, Citations()):
        for sentence in paragraph.sentences:
            assert sentence.text in text
    text += text_of(opened(appendix_of(findings)))
    for finding in findings.analyses:
        for sentence in (*finding.sentences, *finding.cautions):
            assert sentence in text
    for caution in ("licensed clinicians", "Local codes", "statistician"):
        assert caution in text
    for banned in ("statistically significant", "we recommend", "nan "):
        assert banned not in text.lower()


@pytest.mark.walk
def test_banner_of_invented_data_is_on_every_page_and_only_then(findings: Findings) -> None:
    assert "INVENTED" in opened(written(findings)).sections[0].header.paragraphs[0].text
    real = synthesise(Folder(protocol=protocol(plan(), invented=False), studies=(trial("1", 3, 5),)))
    document = opened(written(real))
    assert "INVENTED" not in text_of(document)
    assert not document.sections[0].header.paragraphs[0].text


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize("text", [*HOSTILE.values(), "half \ufffe end"], ids=[*HOSTILE, "no_character"])
def test_text_stays_text_wherever_it_is_typed(text: str) -> None:
    content = written(synthesise(hostile_folder(text)))
    document = opened(content)
    found = text_of(document)
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0e-\x1f\ud800\ufffe]", found)
    assert " ".join(shown_text(text).split()) in " ".join(found.split())


@pytest.mark.lengthy
def test_scripts_from_right_to_left_are_marked_as_such() -> None:
    assert reads_from_right("12 שלום abc") and reads_from_right("مرحبا")
    assert not reads_from_right("abc שלום") and not reads_from_right("12 %")
    content = written(synthesise(hostile_folder("שלום עולם")))
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        body = packed.read("word/document.xml").decode()
    assert "<w:bidi/>" in body and "<w:rtl/>" in body


@pytest.mark.walk
def test_a_review_of_many_studies_and_reviews_of_nothing_are_documents() -> None:
    many = tuple(trial(f"{n:03d}", 2 + n % 7, 4 + n % 3) for n in range(90))
    document = opened(appendix_of(synthesise(Folder(protocol=protocol(plan()), studies=many))))
    parts = [text for text in captions(document, "Figure") if re.search(r"\(\d of \d\)", text)]
    assert len(parts) >= 2, "a long forest plot is cut into pages"
    assert all(shape.height.mm <= 228.1 for shape in document.inline_shapes)
    text = text_of(document)
    assert all(f"Study {n:03d}" in text for n in range(90))
    for folder in (
        Folder(protocol=protocol(plan()), studies=()),
        Folder(protocol=protocol(outcomes=(), comparisons=()), studies=()),
    ):
        assert "What the authors still have to write" in text_of(opened(written(synthesise(folder))))
