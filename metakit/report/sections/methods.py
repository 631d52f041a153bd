"""The methods as they were carried out, with their sources."""

from __future__ import annotations

from metakit.report.methods_text import methods_paragraphs
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section


def build(page: Page) -> Content:
    """Return the paragraphs and, after them, every source that the page cites."""
    paragraphs = methods_paragraphs(page.findings, page.citations)
    return {"paragraphs": paragraphs, "references": page.citations.listed()}


SECTIONS.add(Section(name="methods", title="Methods", template="methods.html.j2", build=build))
