"""Planned subgroups stand in the figures of a report, with the means and the test of its findings."""

from __future__ import annotations

from metakit.core.written import p_value
from metakit.report.drawing.figure_content import CONCERN_BARS, forest_of
from metakit.report.drawing.subgroup_figures import subgroup_figure
from metakit.synthesis.appraisal import CONCERNS, concern_of


def test_every_answered_planned_subgroup_has_its_forest(demo_findings) -> None:
    drawn = 0
    for finding in demo_findings.analyses:
        for exploration in finding.explorations:
            part = subgroup_figure(finding, exploration, "x", ())
            asked = exploration.subgroups is not None and exploration.planned
            assert (part is not None) == asked, (finding.plan.id, exploration.id)
            if part is None:
                continue
            drawn += 1
            found = exploration.subgroups
            content = forest_of(finding, finding.table, found, exploration.moderators[0].label)
            assert p_value(found.between.p_value) in content.between
            several = [level for level in found.levels if level.k > 1]
            assert sum(group.summary is not None for group in content.groups) == len(several)
            assert part.caption.startswith("Planned subgroups: ")
    assert drawn >= 3


def test_the_concern_about_bias_stands_beside_each_row(demo_findings) -> None:
    seen = 0
    for finding in demo_findings.analyses:
        if finding.table is None:
            continue
        content = forest_of(finding, finding.table)
        judged = {s.name: CONCERNS[concern_of(s.study, finding.term.id)] for s in finding.numbers}
        if not any(CONCERN_BARS.get(words) is not None for words in judged.values()):
            assert "Bias" not in content.headings
            continue
        seen += 1
        assert content.headings[-1] == "Bias" and content.places[-1].gauge
        for row in content.rows:
            words = judged[row.study]
            assert row.cells[-1] == (words if words in CONCERN_BARS else "")
    assert seen > 5
