"""Questions that the checks raised and nobody has answered in the records."""

from __future__ import annotations

from itertools import groupby

from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section


def build(page: Page) -> Content:
    """Return the questions by file, in the order of the file."""
    ordered = sorted(page.findings.questions, key=lambda q: (q.file, q.line or 0, q.column or 0))
    return {
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
