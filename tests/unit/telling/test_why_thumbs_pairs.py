"""Pairs of options in one compact table: answer, per 100, certainty, studies; nothing without pairs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.synthesis.findings import Findings
from metakit.telling.blocks import Table, plain
from metakit.telling.certainty import certainty_blocks
from metakit.telling.facts import Facts
from metakit.telling.why_thumbs_pairs import pair_blocks, pair_line


def tables(blocks):
    parts = [part for block in blocks for part in (block, *getattr(block, "blocks", ()))]
    return [part for part in parts if isinstance(part, Table)]


@pytest.fixture
def facts(demo_findings: Findings) -> Facts:
    return Facts.of(demo_findings)


def test_every_pair_has_a_row_with_answer_and_certainty(facts: Facts) -> None:
    (table,) = tables(pair_blocks(facts))
    levels = {item.body.analysis: item for item in facts.pairs}
    assert len(table.rows) == len(facts.findings.pairs) > 5
    for row, item in zip(table.rows, facts.findings.pairs, strict=True):
        words = " ".join(plain(cell) for cell in row)
        finding = item.finding
        certainty = levels[finding.plan.id]
        assert certainty.level_words.capitalize() in words
        assert certainty.status_words in words
        assert finding.comparison.technique_label in words
        assert (str(finding.comparison.mp_before or "") or "all thumbs") in words
        assert all(study.name in words for study in finding.numbers)
        assert not finding.absolute or "instead of" in words


def test_the_numbers_of_a_row_are_those_of_the_records(facts: Facts) -> None:
    (table,) = tables(pair_blocks(facts))
    (row,) = [
        row
        for row, item in zip(table.rows, facts.findings.pairs, strict=True)
        if item.finding.plan.id == "mp_pairs--mp_pinning--mp_none--secondary_mp_procedure"
    ]
    (study,) = [item for item in facts.findings.studies if item.id == "DEMO-27"]
    told = {
        arm.mp_option: next(
            v for v in study.outcomes if v.arm == arm.id and v.outcome == "secondary_mp_procedure"
        )
        for arm in study.arms
    }
    first, second = told["mp_pinning"], told["mp_none"]
    words = f"{first.events} of {first.total} against {second.events} of {second.total} thumbs"
    assert words in plain(row[-1])


def test_the_section_of_certainty_says_why(facts: Facts) -> None:
    (table,) = [item for item in tables(certainty_blocks(facts)) if "pair of options" in item.label]
    assert len(table.rows) == len(facts.pairs)
    for row, item in zip(table.rows, facts.pairs, strict=True):
        words = " ".join(plain(cell) for cell in row)
        assert all(line.proposal.reason in words for line in item.lines if line.levels)


def test_the_screen_points_to_the_pairs(facts: Facts) -> None:
    answered = sum(item.source == "mp_hyperextension" for item in facts.findings.pairs)
    assert pair_line(facts, "mp_hyperextension").startswith(f"{answered} pairs of options")
    assert pair_line(facts, "residual_bone") == ""


def test_without_pairs_nothing_is_said(facts: Facts) -> None:
    none = replace(facts, findings=replace(facts.findings, pairs=()), pairs=())
    assert pair_blocks(none) == ()
    assert pair_line(none, "mp_hyperextension") == ""
