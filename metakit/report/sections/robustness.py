"""Whether the answers would survive: without one study, and against small-study effects."""

from __future__ import annotations

from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.synthesis.robustness import robustness


def build(page: Page) -> Content | None:
    """Return what each comparative answer with at least four studies rests on."""
    found = [item for item in map(robustness, page.findings.analyses) if item is not None]
    for item in found:
        if item.small is not None:
            page.citations.number("sterne_2011")
    return {"items": found} if found else None


SECTIONS.add(
    Section(name="robustness", title="Would the answers survive?", template="robustness.html.j2", build=build)
)
