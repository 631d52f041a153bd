"""The report for writing: a Word document with methods, results, real tables, figures, numbered references.

It says the same sentences as the page, in the order of a paper; what only people can write is not in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from metakit.report.methods_text import methods_paragraphs
from metakit.report.page import Page
from metakit.report.reporting.checklist import blanks, prisma_2020
from metakit.report.sections.cautions import FIRST, always
from metakit.report.sections.reproduce import report_date
from metakit.report.summary_files import INVENTED
from metakit.report.word_documents.word import Word
from metakit.report.word_documents.word_document import (
    document_bytes,
    new_document,
    set_header_and_footer,
    set_margins,
    write_text,
)
from metakit.report.word_documents.word_manuscript import Manuscript
from metakit.report.word_documents.word_results import write_results, write_results_behind
from metakit.report.word_documents.word_studies import (
    section_content,
    write_appendices,
    write_studies,
    write_studies_behind,
)
from metakit.report.word_documents.word_tables import WordRow
from metakit.synthesis.findings import Findings
from metakit.telling.blocks import Cell, Table, plain
from metakit.telling.brief import COLUMNS, brief_blocks

DOCUMENT, APPENDIX, BRIEF = "report.docx", "report_appendix.docx", "brief.docx"
BRIEF_MARGIN_MM = 12.0


def report_document(page: Page) -> bytes:
    """Return the report as a Word document; see `report_documents`."""
    return report_documents(page)[DOCUMENT]


def report_documents(page: Page) -> dict[str, bytes]:
    """Return the report and, as a document of its own, its appendix, by their names.

    The appendix holds what is folded on the page: every answer with its figure, and the tables behind it.

    Parameters
    ----------
    page : Page
        The findings with their figures. Sources are numbered anew, in the order of each document.
    """
    own = Page(findings=page.findings, figures=page.figures)
    protocol = own.findings.protocol
    word = _begun(own, protocol.title)
    text = word.text
    _title(text, own.findings)
    _cautions(text)
    word.section("The answer in brief", brief_blocks(own.facts))
    _question(text, own)
    text.heading("Methods", 1)
    for paragraph in methods_paragraphs(own.findings, own.citations):
        text.heading(paragraph.heading, 2)
        text.cite(paragraph.sentences)
    write_studies(text, own)
    write_results(text, own, word)
    _still_to_write(text, own)
    return {DOCUMENT: _ended(word), APPENDIX: _appendix(page, word)}


def _appendix(page: Page, word: Word) -> bytes:
    """Return what stands folded on the page, in the order of the page, as a document of its own."""
    more = Page(findings=page.findings, figures=page.figures)
    title = f"{page.findings.protocol.title}: appendix"
    behind = _begun(more, title, keeping=False)
    write_text(behind.text.document.add_paragraph(style="Title"), " ".join(title.split()))
    behind.text.say("What stands folded on the page of the report: every answer, and the tables behind it.")
    write_studies_behind(behind.text, more)
    word.appendix(behind)
    write_results_behind(behind.text, more)
    write_appendices(behind.text, more)
    return _ended(behind)


def brief_document(page: Page) -> bytes:
    """Return the brief as a Word document of its own, on few pages with narrow margins."""
    own = Page(findings=page.findings, figures=page.figures)
    word = _begun(own, own.findings.protocol.title, keeping=False)
    set_margins(word.text.document, BRIEF_MARGIN_MM)
    _title(word.text, own.findings)
    blocks = brief_blocks(own.facts)
    _answers_in_one(word.text, [block for block in blocks if isinstance(block, Table)])
    word.blocks([block for block in blocks if not isinstance(block, Table)])
    word.text.heading("Before you read", 1)
    word.text.bullets(FIRST, warning=True)
    word.text.say(f"More that this report cannot do stands in {DOCUMENT}, under the same heading.")
    return document_bytes(word.text.document)


def _answers_in_one(text: Manuscript, tables: Sequence[Table]) -> None:
    """Write the tables of the brief as one: a heading row a comparison, words below their numbers."""
    rows: list[WordRow] = []
    for table in tables:
        caption = table.caption.words if isinstance(table.caption, Cell) else table.caption
        sides = f"Comparator: {table.columns[1].name}. Technique: {table.columns[2].name}."
        rows.append(WordRow(cells=(f"{plain(caption)}. {sides}",), whole=True, heading=True, led=True))
        for cells in table.rows:
            numbers, words = tuple(plain(cell, "\n") for cell in cells[:-1]), plain(cells[-1], " ")
            rows += [WordRow(cells=numbers, led=True), WordRow(cells=(words,), whole=True, strong=False)]
    columns = COLUMNS[:-1]
    text.table(
        tuple(column.name for column in columns),
        rows,
        caption=f"The answer in brief; further outcomes are in the summary of findings of {DOCUMENT}.",
        shares=tuple(column.share for column in columns),
    )


def _begun(page: Page, title: str, *, keeping: bool = True) -> Word:
    text = Manuscript(new_document(title))
    invented = page.findings.protocol.invented
    set_header_and_footer(text.document, "INVENTED DEMONSTRATION DATA" if invented else "")
    figures = {part.name: part for part in page.figures.all}
    return Word(text=text, figures=figures, citations=page.citations, keeping=keeping)


def _ended(word: Word) -> bytes:
    """Close a document with its sources."""
    word.text.turn(lying=False)
    word.text.heading("References", 1)
    word.text.references(word.citations.listed())
    word.text.say(
        "References were typed from memory by the makers of the software; check them before this goes out. "
        "The same list for reference managers: methods_references.bib and methods_references.json.",
        small=True,
    )
    return document_bytes(word.text.document)


def _title(text: Manuscript, findings: Findings) -> None:
    protocol = findings.protocol
    write_text(text.document.add_paragraph(style="Title"), " ".join(protocol.title.split()))
    if protocol.invented:
        text.say(INVENTED, warning=True)
    review = protocol.fields.get("review")
    facts = review if isinstance(review, Mapping) else {}
    lines = [
        f"Authors: {facts['authors']}." if facts.get("authors") else "",
        f"Registration: {facts['registration']}." if facts.get("registration") else "",
        f"Plan of {protocol.date}." if protocol.date else "",
        f"Written on {report_date()}." if report_date() else "",
    ]
    text.say(*lines)


def _cautions(text: Manuscript) -> None:
    text.heading("Before you read", 1)
    text.bullets(FIRST, warning=True)
    text.bullets(always())


def _question(text: Manuscript, page: Page) -> None:
    content = section_content("question", page)
    protocol = page.findings.protocol
    text.heading("The question", 1)
    text.say(protocol.question)
    text.say(f"Population: {protocol.population}")
    if content["comparisons"]:
        text.say("Comparisons:")
        text.bullets(
            f"{item['label']} (coded as {item['coded']})" if item["coded"] else item["label"]
            for item in content["comparisons"]
        )
    if content["series"]:
        text.say("Single-arm series, described alone and never compared:")
        text.bullets(item["label"] for item in content["series"])
    text.table(
        ("Outcome", "Rank", "When", "Direction", "Smallest important difference"),
        [
            WordRow(
                cells=(
                    item["label"],
                    item["rank"],
                    item["window"],
                    item["better"],
                    f"{item['smallest']}\n{item['source']}" if item["source"] else item["smallest"],
                )
            )
            for item in content["outcomes"]
        ],
        caption="Outcomes of the protocol.",
        shares=(34, 20, 32, 34, 54),
    )
    if content["amendments"]:
        text.heading("Changes after the date of the plan", 2)
        text.bullets(
            f"{item['date']}: {item['what']}. Reason: {item['why']}. Results were "
            f"{'already known' if item['data_seen'] else 'not yet known'}."
            for item in content["amendments"]
        )


def _still_to_write(text: Manuscript, page: Page) -> None:
    """Name what a reader will miss here and only people can write."""
    missing = blanks(prisma_2020(page))
    if missing:
        text.turn(lying=False)
        text.heading("What the authors still have to write", 1)
        text.say(
            "Nothing in the folder of the review answers these items of PRISMA 2020; take this list out when "
            "they are written. The whole checklist stands in a file of its own."
        )
        text.bullets(f"{item.number} {item.topic}: {item.words}" for item in missing)
