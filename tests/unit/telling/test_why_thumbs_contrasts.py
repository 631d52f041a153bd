"""Options against each other: planned pairs with answer and certainty, and what the plan does not ask."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.synthesis.findings import Findings
from metakit.synthesis.returning.trouble import trouble_findings
from metakit.synthesis.returning.trouble_findings import TroubleFindings
from metakit.telling.blocks import Table, plain
from metakit.telling.certainty import certainty_blocks
from metakit.telling.facts import Facts
from metakit.telling.why_thumbs_contrasts import contrast_blocks, pair_blocks, pair_line


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


@pytest.fixture
def trouble(demo_findings: Findings) -> TroubleFindings:
    """What the invented review says where its plan asks for no pairs."""
    plan = replace(demo_findings.protocol, option_pairs=())
    return trouble_findings(plan, demo_findings.studies, demo_findings.names)


def test_each_contrast_has_a_row_with_its_answer(trouble: TroubleFindings) -> None:
    blocks = contrast_blocks(trouble)
    inner = [part for block in blocks for part in (block, *getattr(block, "blocks", ()))]
    (table,) = [block for block in inner if isinstance(block, Table)]
    contrasts = [item for source in trouble.sources for item in source.contrasts]
    assert len(table.rows) == len(contrasts) > 5
    for row, item in zip(table.rows, contrasts, strict=True):
        words = " ".join(plain(cell) for cell in row)
        assert item.answer in words
        assert item.option in words
        assert (item.band or "all thumbs") in words
        assert all(name in words for name in item.studies)
    said = " ".join(str(block) for block in inner)
    assert "nobody judged how certain" in said


def test_nothing_is_said_where_the_plan_asks_it_all(demo_findings: Findings) -> None:
    assert contrast_blocks(demo_findings.trouble) == ()
