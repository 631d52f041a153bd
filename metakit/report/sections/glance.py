"""The answer at a glance: one picture, one sentence an analysis."""

from __future__ import annotations

from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section


def build(page: Page) -> Content | None:
    """Return the overview figure and the first sentence of every analysis, by question."""
    if not page.figures.results:
        return None
    return {"overview": page.figures.overview_parts, "groups": page.by_question()}


SECTIONS.add(
    Section(name="at-a-glance", title="The answer at a glance", template="glance.html.j2", build=build)
)
