"""The sections that are told in blocks (`metakit.telling.sections`), as sections of the page."""

from __future__ import annotations

from metakit.report.registry import SECTIONS, Section
from metakit.telling import sections

for told in sections.SECTIONS:
    SECTIONS.add(Section(name=told.name, title=told.title, tell=told.tell))
