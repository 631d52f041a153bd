"""The results in the Word document: summaries of findings, every answer with its forest plot, gaps."""

from __future__ import annotations

from metakit.decision.proposals import DOMAINS
from metakit.decision.summary import absolute_notes, summary_tables
from metakit.report.methods_text import Cited
from metakit.report.page import Page
from metakit.report.sections.missing_results import SIGNS
from metakit.report.sections.robustness import Surviving
from metakit.report.sections.summary_of_findings import REFERENCES
from metakit.report.summary_files import CAUTIONS, HOW, summary_header, summary_rows
from metakit.report.word_documents.word import Word
from metakit.report.word_documents.word_manuscript import Manuscript
from metakit.report.word_documents.word_studies import section_content
from metakit.report.word_documents.word_tables import WordRow
from metakit.telling import sections
from metakit.telling.option_words import option_words

SUMMARY_SHARES = (42, 34, 36, 36, 36, 40, 40)
MOST_OUTCOMES_ACROSS = 14
"""Columns of the table of missing results that a lying page holds in readable type."""


def write_results(text: Manuscript, page: Page, word: Word) -> None:
    """Write the answers, the most useful first: overview, summary of findings, each answer, networks."""
    text.heading("Results", 1)
    if not page.figures.results:
        text.say("The protocol plans no analysis.")
    if page.figures.overview_parts:
        ahead = text.figures_ahead(len(page.figures.overview_parts))
        text.say(
            f"{ahead} shows all answers at a glance."
            if " to " not in ahead
            else f"{ahead} show all answers at a glance."
        )
    for overview in page.figures.overview_parts:
        text.figure(overview)
    _summary(text, page)
    text.turn(lying=False)
    for section in sections.SECTIONS:
        if section.name != "brief":  # it opens the document
            word.section(section.title, section.tell(page.facts), headed=section.name != "results")


def write_results_behind(text: Manuscript, page: Page) -> None:
    """Write what an appendix holds of the results: other choices, missing results."""
    _robustness(text, page)
    _missing(text, page)


def _summary(text: Manuscript, page: Page) -> None:
    tables = summary_tables(page.findings, page.certainties)
    if not any(table.rows or table.unanswered for table in tables):
        return
    text.heading("Summary of findings", 2)
    text.bullets(CAUTIONS, warning=True)
    references = (*REFERENCES, *(key for domain in DOMAINS for key in domain.references))
    text.cite(
        (
            Cited(text=HOW),
            Cited(
                text="Certainty starts from the designs of the studies and moves by domains, each with its "
                "reason; the software proposes, a person signs.",
                numbers=page.citations.numbers(references),
            ),
        )
    )
    for note in absolute_notes(tables):
        text.say(note, small=True)
    text.turn(lying=True)  # for the tables alone: words fill the page before
    for table in tables:
        text.table(
            summary_header(table),
            summary_rows(table),
            caption=f"Summary of findings: {table.technique} compared with {table.comparator}.",
            shares=SUMMARY_SHARES,
        )
        if not table.rows:
            text.say(f"{table.technique} compared with {table.comparator}.", small=True)
        for letter, reason in table.footnotes:
            text.say(f"{letter}  {reason}", small=True)
        for label, reason in table.unanswered:
            text.say(f"{label}: no pooled answer ({option_words(reason)}).", small=True)
        if table.left_out:
            text.say(f"Beyond seven outcomes, not shown: {', '.join(table.left_out)}.", small=True)
    text.turn(lying=False)


def _robustness(text: Manuscript, page: Page) -> None:
    before = len(page.citations.listed())
    items: list[Surviving] = section_content("robustness", page).get("items", [])
    if not items:
        return
    new = tuple(number for number, _ in page.citations.listed()[before:])
    text.turn(lying=False)
    text.heading("Would the answers survive?", 1)
    text.cite(
        (
            Cited(
                text="The same questions were asked again under other choices and without each study.",
                numbers=new,
            ),
        )
    )
    for item in items:
        text.heading(item.finding.title, 2)
        text.say(*item.shifts)
        text.say(*item.ways)
        if item.studies is not None:
            text.say("One study less (exploratory).", *item.studies.sentences)


def _missing(text: Manuscript, page: Page) -> None:
    content = section_content("missing-results", page)
    if not content:
        return
    text.turn(lying=True)
    text.heading("Which results are missing", 1)
    text.say(
        "Silence is not zero: an outcome that a report does not mention stays missing. "
        f"{text.table_ahead()} shows every study against every outcome."
    )
    if content["withheld"]:
        named = "; ".join(f"{name} ({outcome})" for name, outcome in content["withheld"])
        text.say(f"Measured, but not reported: {named}.", warning=True)
    text.say(
        "; ".join(f"{sign} {content['words'][status]}" for status, sign in SIGNS.items()) + ".", small=True
    )
    outcomes = content["outcomes"]
    for start in range(0, len(outcomes), MOST_OUTCOMES_ACROSS):
        some = outcomes[start : start + MOST_OUTCOMES_ACROSS]
        text.table(
            ("Study", *some),
            [
                WordRow(cells=(name, *(SIGNS[status] for status in statuses[start : start + len(some)])))
                for name, statuses in content["rows"]
            ],
            caption="Every study against every outcome of the protocol.",
            shares=(40, *[22] * len(some)),
            size=8.0,
        )
