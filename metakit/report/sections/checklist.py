"""Reporting checklists: where each item is answered, blanks flagged."""

from __future__ import annotations

from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.report.reporting.checklist import STATE_MEANING, STATE_WORDS, checklists
from metakit.report.reporting.checklist_files import CSV, OWN_WORDS, WORD, state_counts


def build(page: Page) -> Content:
    """Return every checklist with its items as this review answers them."""
    return {
        "lists": [
            (found, state_counts(found), page.citations.number(found.reference)) for found in checklists(page)
        ],
        "words": STATE_WORDS,
        "meaning": STATE_MEANING,
        "own_words": OWN_WORDS,
        "files": (WORD, CSV),
    }


SECTIONS.add(
    Section(name="checklist", title="Reporting checklist", template="checklist.html.j2", build=build)
)
