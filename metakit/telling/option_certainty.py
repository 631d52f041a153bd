"""How certain the planned comparisons behind the map of evidence are, by option and outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from metakit.decision.certainty import Certainty, pair_certainties
from metakit.synthesis.findings import Findings
from metakit.synthesis.gathering.source_options import sources


def certainty_by_cell(findings: Findings, certainties: Sequence[Certainty]) -> Mapping[tuple[str, str], str]:
    """Return the level of certainty by option and outcome, where the plan compares that option.

    Parameters
    ----------
    findings : Findings
    certainties : sequence of Certainty
        Of the answered analyses.

    Returns
    -------
    mapping of (option, outcome) to str
        Of the option on the first side of the comparison, over all thumbs: `low, proposed`.
    """
    if findings.trouble is None:
        return {}
    levels = {item.body.analysis: item for item in certainties}
    compared = {
        (row.option, outcome)
        for source in findings.trouble.sources
        for row in source.rows
        for outcome, cell in row.cells.items()
        if cell is not None and cell.comparing
    }
    found: dict[tuple[str, str], str] = {}
    levels |= {item.body.analysis: item for item in pair_certainties(findings)}
    for finding in (*findings.analyses, *(item.finding for item in findings.pairs)):
        comparison, certainty = finding.comparison, levels.get(finding.plan.id)
        if comparison is None or certainty is None or comparison.mp_before is not None:
            continue
        for source in sources():
            for option in comparison.options(1).get(source.kind, ()) if source.asked_by(comparison) else ():
                cell = (option, finding.plan.outcome)
                if cell in compared:
                    found.setdefault(cell, f"{certainty.level_words}, {certainty.status}")
    return found
