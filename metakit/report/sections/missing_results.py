"""Which results are missing: every study against every outcome."""

from __future__ import annotations

from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.synthesis.gathering.eligible import STATUS_WORDS
from metakit.synthesis.terms import outcome_term

SIGNS = {"reported": "●", "reported_zero": "0", "measured_not_reported": "!", "not_reported": "–"}
"""A sign a status; the words stand beside each sign for readers and screen readers."""


def build(page: Page) -> Content | None:
    """Return the matrix of studies and outcomes with the words of each status."""
    findings = page.findings
    if not findings.studies or not findings.protocol.outcomes:
        return None
    outcomes = [item.outcome for item in findings.protocol.outcomes]
    rows = [
        (findings.names[study.id], [findings.result_matrix[study.id][outcome] for outcome in outcomes])
        for study in findings.studies
    ]
    withheld = [
        (name, outcome_term(outcome).label)
        for name, statuses in rows
        for outcome, status in zip(outcomes, statuses, strict=True)
        if status == "measured_not_reported"
    ]
    return {
        "outcomes": [outcome_term(outcome).label for outcome in outcomes],
        "rows": rows,
        "signs": SIGNS,
        "words": STATUS_WORDS,
        "withheld": withheld,
    }


SECTIONS.add(
    Section(
        name="missing-results",
        title="Which results are missing",
        template="missing_results.html.j2",
        build=build,
    )
)
