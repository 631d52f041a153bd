"""What a section of the report is, and the registry of all of them in the order of the page.

A new section is one function in `metakit/telling/` that tells facts in blocks, and one line in its
`sections.py` and in `ORDER` here.
Older sections have a module with a template.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from metakit.core.registry import Registry
from metakit.report.page import Page
from metakit.telling.blocks import Block
from metakit.telling.facts import Facts

Content = Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One section: `tell` gives its blocks, none where the section has nothing to say.

    `name` is the anchor of the section, `title` its heading. A section that is not told in blocks yet has a
    `template` and `build`, which gives its content or None.
    """

    name: str
    title: str
    template: str = ""
    build: Callable[[Page], Content | None] | None = None
    tell: Callable[[Facts], tuple[Block, ...]] | None = None


_MODULES = (
    "metakit.report.sections.cautions",
    "metakit.report.sections.question",
    "metakit.report.sections.glance",
    "metakit.report.sections.changes",
    "metakit.report.sections.summary_of_findings",
    "metakit.report.sections.selection",
    "metakit.report.sections.studies",
    "metakit.report.sections.appraisal",
    "metakit.report.sections.extraction",
    "metakit.report.sections.told",
    "metakit.report.sections.explorations",
    "metakit.report.sections.robustness",
    "metakit.report.sections.missing_results",
    "metakit.report.sections.raised_questions",
    "metakit.report.sections.checklist",
    "metakit.report.sections.methods",
    "metakit.report.sections.reproduce",
)
SECTIONS: Registry[Section] = Registry("report section", _MODULES)
ORDER = (
    "brief",
    "before-you-read",
    "question",
    "why-thumbs-come-back",
    "at-a-glance",
    "changes",
    "summary-of-findings",
    "selection",
    "studies",
    "appraisal",
    "extraction",
    "results",
    "networks",
    "certainty",
    "explorations",
    "robustness",
    "missing-results",
    "open-questions",
    "checklist",
    "plan",
    "methods",
    "reproduce",
)
"""Names of the sections in the order of the page."""
OPEN = ("brief", "before-you-read", "why-thumbs-come-back", "summary-of-findings", "results")
"""Sections that stand open on the page; the others are opened by who wants more."""


def sections_in_order() -> list[Section]:
    """Return all sections in the order of the page, whichever module happened to be imported first."""
    return sorted(SECTIONS, key=lambda section: ORDER.index(section.name))
