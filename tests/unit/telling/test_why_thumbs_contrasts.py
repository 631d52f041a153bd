"""Options against each other in words: nothing picked, no certainty, a band is a part of each arm."""

from __future__ import annotations

from dataclasses import replace

from metakit.synthesis.findings import Findings
from metakit.telling.blocks import Table, plain
from metakit.telling.why_thumbs_contrasts import contrast_blocks


def test_each_contrast_has_a_row_with_its_answer(demo_findings: Findings) -> None:
    blocks = contrast_blocks(demo_findings.trouble)
    inner = [part for block in blocks for part in (block, *getattr(block, "blocks", ()))]
    (table,) = [block for block in inner if isinstance(block, Table)]
    contrasts = [item for source in demo_findings.trouble.sources for item in source.contrasts]
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
    trouble = demo_findings.trouble
    bare = replace(trouble, sources=tuple(replace(source, contrasts=()) for source in trouble.sources))
    assert contrast_blocks(bare) == ()
