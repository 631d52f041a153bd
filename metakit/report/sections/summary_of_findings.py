"""The summary of findings: one table a comparison, absolute effects beside certainty and plain words."""

from __future__ import annotations

from metakit.decision.summary import absolute_notes, summary_tables
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.report.summary_files import CAUTIONS, CSV, HOW, WORD
from metakit.telling.option_words import option_words

REFERENCES = ("handbook", "altman_1998", "grade_statements")
STEPS = {"very_low": 1, "low": 2, "moderate": 3, "high": 4}


def build(page: Page) -> Content | None:
    """Return the tables with their cautions; None without comparisons."""
    tables = summary_tables(page.findings, page.certainties)
    if not tables:
        return None
    signed = sum(item.final for item in page.certainties)
    return {
        "tables": tables,
        "notes": absolute_notes(tables),
        "cautions": CAUTIONS,
        "how": HOW,
        "signed": signed,
        "total": len(page.certainties),
        "outdated": sum(item.status == "outdated" for item in page.certainties),
        "steps": STEPS,
        "words": option_words,
        "files": (WORD, CSV),
        "anchors": {part.finding.plan.id: part.anchor for part in page.figures.results},
        "citations": page.citations.numbers(REFERENCES),
    }


SECTIONS.add(
    Section(
        name="summary-of-findings",
        title="Summary of findings",
        template="summary_of_findings.html.j2",
        build=build,
    )
)
