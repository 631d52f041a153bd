"""How certain each answer is: every domain as proposed and as judged, with reasons and signature."""

from __future__ import annotations

from metakit.decision.certainty import leftover
from metakit.decision.proposals import DOMAINS
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.report.sections.summary_of_findings import STEPS
from metakit.synthesis.terms import label_of


def build(page: Page) -> Content | None:
    """Return one worksheet an answer, by comparison; None without comparisons."""
    if not page.certainties:
        return None
    anchors = {part.finding.plan.id: part.anchor for part in page.figures.results}
    titles = {part.finding.plan.id: part.label for part in page.figures.results}
    groups: dict[str, list[object]] = {}
    for item in page.certainties:
        groups.setdefault(item.body.comparison, []).append(item)
    references = tuple(dict.fromkeys(key for domain in DOMAINS for key in domain.references))
    return {
        "groups": list(groups.items()),
        "anchors": anchors,
        "titles": titles,
        "steps": STEPS,
        "labels": {domain.name: label_of("certainty_domains", domain.name) for domain in DOMAINS},
        "leftover": leftover(page.findings, page.certainties),
        "citations": page.citations.numbers(references),
    }


SECTIONS.add(
    Section(name="certainty", title="How certain are the answers", template="certainty.html.j2", build=build)
)
