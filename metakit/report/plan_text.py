"""Which analyses were planned and which are exploratory, for the methods."""

from __future__ import annotations

from collections.abc import Iterable

from metakit.core.written import count, listed
from metakit.synthesis.choices.sensitivity_kinds import KINDS
from metakit.synthesis.findings import Findings


def plan_sentences(findings: Findings) -> Iterable[str]:
    """Yield how the plan stands, then what was planned and what was added."""
    if findings.plan is not None:
        yield from findings.plan.sentences
    if findings.analyses:
        number = count(len(findings.analyses), "analysis", "analyses")
        yield f"The protocol names the {number} whose answers lead each section; their models follow from it."
    rows = [
        row
        for finding in findings.analyses
        if finding.sensitivity_table is not None
        for row in finding.sensitivity_table.rows
    ]
    for standing, words in (
        ("planned", "Planned beside them"),
        ("exploratory", "Exploratory, added by custom"),
    ):
        kinds = [
            KINDS[kind] for kind in KINDS if any((row.kind, row.standing) == (kind, standing) for row in rows)
        ]
        if kinds:
            yield f"{words}, as other choices for the same question: {'; '.join(kinds)}."
    undone = dict.fromkeys(KINDS[row.kind] for row in rows if row.standing == "planned" and row.reason)
    if undone:
        yield f"Planned and for some answers not done, with the reason given there: {'; '.join(undone)}."
    curves = [finding.specifications for finding in findings.analyses if finding.specifications is not None]
    for planned, words in ((True, "planned"), (False, "exploratory")):
        members = [curve for curve in curves if curve.planned is planned and curve.rows]
        if members:
            ways = sum(len(curve.rows) for curve in members)
            yield (
                f"For {count(len(members), 'comparison')} every combination of reasonable choices was run "
                f"({ways} in all; {words})."
            )
    for standing in ("planned", "exploratory"):
        labels = dict.fromkeys(
            item.label
            for finding in findings.analyses
            for item in finding.explorations
            if item.standing == standing
        )
        if labels:
            yield f"Why studies differ, {standing}: {listed(list(labels))}."
    if any(finding.comparative and finding.result for finding in findings.analyses):
        yield "Leaving one study out at a time and tests for small studies are exploratory."
