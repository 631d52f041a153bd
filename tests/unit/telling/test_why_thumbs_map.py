"""The map of evidence in words: certainty where the plan compares, options that nobody studied by name."""

from __future__ import annotations

import pytest

from metakit.synthesis.findings import Findings
from metakit.telling.blocks import Table, plain
from metakit.telling.facts import Facts
from metakit.telling.option_certainty import certainty_by_cell
from metakit.telling.why_thumbs_map import map_blocks


@pytest.fixture
def told(demo_findings: Findings):
    facts = Facts.of(demo_findings)
    certainty = certainty_by_cell(demo_findings, facts.certainties)
    blocks = map_blocks(demo_findings.trouble, certainty)
    inner = [part for block in blocks for part in (block, *getattr(block, "blocks", ()))]
    return certainty, facts, inner


def test_a_planned_comparison_lends_its_certainty_to_the_cell(told) -> None:
    certainty, facts, inner = told
    level = next(item for item in facts.certainties if item.body.analysis == "return_bone")
    assert certainty["osteophyte_removed", "return_residual_bone"] == f"{level.level_words}, {level.status}"
    assert ("osteophyte_left", "return_residual_bone") not in certainty  # of the treated side only
    # its own analysis is planned within a band only, a pair of options in all thumbs
    pair = next(
        item
        for item in facts.pairs
        if item.body.analysis == "mp_pairs--mp_pinning--mp_none--secondary_mp_procedure"
    )
    assert certainty["mp_pinning", "secondary_mp_procedure"] == f"{pair.level_words}, {pair.status}"
    table = next(block for block in inner if isinstance(block, Table) and block.caption == "Residual bone")
    assert any(f"certainty {level.level_words}" in plain(cell) for row in table.rows for cell in row)


def test_options_that_no_study_has_are_named_in_one_sentence(told) -> None:
    _, _, inner = told
    said = " ".join(str(block) for block in inner)
    assert "No study for any of these outcomes: EPB release, EPB transfer" in said
    tables = [block for block in inner if isinstance(block, Table)]
    assert not any(column.name == "EPB release" for table in tables for column in table.columns)


def test_every_studied_option_and_outcome_has_its_cell(told, demo_findings: Findings) -> None:
    _, _, inner = told
    tables = {block.caption: block for block in inner if isinstance(block, Table)}
    for source in demo_findings.trouble.sources:
        table = tables[source.label]
        studied = [row for row in source.rows if any(row.cells.values())]
        assert [column.name for column in table.columns[1:]] == [row.label for row in studied]
        for place, outcome in enumerate(source.rows[0].cells):
            for row, words in zip(studied, table.rows[place][1:], strict=True):
                cell = row.cells[outcome]
                told_here = plain(words)
                assert ("no study" in told_here) == (cell is None)
                assert cell is None or f"({cell.randomised} randomised)" in told_here
