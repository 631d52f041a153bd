"""What changed since an earlier report; only where the report was asked for it."""

from __future__ import annotations

from metakit.report.folders.changes import KINDS
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section


def build(page: Page) -> Content | None:
    """Return the changes with the anchors of their results."""
    if page.changes is None:
        return None
    anchors = {part.finding.plan.id: part.anchor for part in page.figures.results}
    return {"changes": page.changes, "kinds": KINDS, "anchors": anchors}


SECTIONS.add(
    Section(
        name="changes", title="What changed since the last report", template="changes.html.j2", build=build
    )
)
