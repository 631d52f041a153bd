"""Questions that the checks raised and nobody has answered in the records."""

from __future__ import annotations

from itertools import groupby

from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section


def build(page: Page) -> Content:
    """Return the open questions by file, in the order of the file, and those that somebody answered."""
    every = sorted(page.findings.questions, key=lambda q: (q.file, q.line or 0, q.column or 0))
    ordered = [question for question in every if question.severity != "answered"]
    return {
        "answered": [question for question in every if question.severity == "answered"],
        "files": [(name, list(items)) for name, items in groupby(ordered, key=lambda q: q.file)],
        "count": len(ordered),
    }


SECTIONS.add(
    Section(
        name="open-questions",
        title="Questions that the checks raised",
        template="raised_questions.html.j2",
        build=build,
    )
)
