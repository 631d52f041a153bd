"""The first screen: its numbers are those of the summary of findings, its words those of the certainty."""

import pytest

from metakit.core.written import signed
from metakit.decision.certainty import level_after
from metakit.decision.summary import summary_tables
from metakit.telling.blocks import Cell, Points, Table, plain
from metakit.telling.brief import MOST_OUTCOMES, VERY_UNCERTAIN, brief_blocks
from metakit.telling.facts import Facts


def _texts(cell):
    return [plain(cell.words), *map(plain, cell.under)] if isinstance(cell, Cell) else [plain(cell)]


@pytest.mark.lengthy
def test_the_brief_says_what_the_summary_says(demo_findings):
    facts = Facts.of(demo_findings)
    tables = {table.comparison: table for table in summary_tables(demo_findings, facts.certainties)}
    blocks = brief_blocks(facts)
    shown = [block for block in blocks if isinstance(block, Table)]
    assert len(shown) == sum(bool(table.rows) for table in tables.values()) > 3
    for block in shown:
        rows = {
            facts.names.analyses[row.analysis].label: row for row in tables[plain(block.caption.words)].rows
        }
        assert 0 < len(block.rows) <= MOST_OUTCOMES
        for cells in block.rows:
            row = rows[plain(cells[0].words)]
            assert cells[0].words.to == facts.names.analyses[row.analysis].anchor
            base = row.baselines[0] if row.baselines else None
            if base and base.difference:
                assert _texts(cells[3])[0] == base.difference
            assert row.certainty.level_words.casefold() in _texts(cells[4])[0].casefold()
            why = _texts(cells[4])[1]
            moved = [line for line in row.certainty.lines if line.levels]
            assert why.startswith(f"Starts {row.certainty.start}")
            for line in moved:
                assert f"{signed(line.levels, 0)} {line.proposal.domain.replace('_', ' ')}" in why
            assert level_after(row.certainty.start, sum(line.levels for line in moved)) == row.certainty.level
            if row.fragility:
                assert row.fragility in _texts(cells[5]) and "no difference here and in" in row.fragility
            if row.certainty.level == "very_low":
                assert _texts(cells[5])[0] == VERY_UNCERTAIN
                assert row.statement.startswith(VERY_UNCERTAIN.rstrip("."))
            else:
                assert _texts(cells[5])[0] == row.statement
            assert row.participants in " ".join(_texts(cells[0]))


def test_critical_outcomes_come_alone_where_there_are_some(demo_findings):
    facts = Facts.of(demo_findings)
    tables = {table.comparison: table for table in summary_tables(demo_findings, facts.certainties)}
    for block in brief_blocks(facts):
        if isinstance(block, Table):
            table = tables[plain(block.caption.words)]
            ranks = {facts.names.analyses[row.analysis].label: row.rank for row in table.rows}
            mine = {ranks[plain(cells[0].words)] for cells in block.rows}
            assert mine == {"critical"} or "critical" not in ranks.values()


def test_the_three_sources_of_trouble_stand_there_with_numbers(demo_findings):
    (points,) = [
        block for block in brief_blocks(Facts.of(demo_findings))
        if isinstance(block, Points) and "Sources" in block.label
    ]  # fmt: skip
    assert [item.lead for item in points.items] == [
        "Residual bone",
        "Scaphotrapezoid arthritis",
        "MP hyperextension",
    ]
    assert all("of 100 thumbs that come back" in plain(item.words) for item in points.items)
