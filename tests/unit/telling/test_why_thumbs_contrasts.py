"""Options against each other in words: nothing picked, no certainty, a band is a part of each arm."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.synthesis.findings import Findings
from metakit.synthesis.returning.trouble import trouble_findings
from metakit.synthesis.returning.trouble_findings import TroubleFindings
from metakit.telling.blocks import Table, plain
from metakit.telling.why_thumbs_contrasts import contrast_blocks


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
