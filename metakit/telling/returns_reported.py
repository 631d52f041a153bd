"""What reports say of thumbs that came back, beside the counts by cause."""

from __future__ import annotations

from collections.abc import Mapping

from metakit.synthesis.returning.returns import ReturnsFound
from metakit.synthesis.returning.trouble_findings import (
    TroubleFindings,
)
from metakit.synthesis.terms import label_of
from metakit.telling.blocks import Block, Cell, Column, Table, folded, points


def report_blocks(trouble: TroubleFindings) -> tuple[Block, ...]:
    """Return what every report says of its returns."""
    tables = [
        _reports_table(found, caption)
        for found, caption in (
            (trouble.returns, "Thumbs operated again"),
            (trouble.lived_with, "Trouble lived with"),
        )
        if found.rows
    ]
    aside = [
        f"Set aside: {item.study}: {item.reason}."
        for found in (trouble.returns, trouble.lived_with)
        for item in found.set_aside
    ]
    return folded("What every report says of its returns", (*tables, *points(aside, look="quiet")))


def _reports_table(found: ReturnsFound, caption: str) -> Table:
    return Table(
        caption=caption,
        columns=(
            Column(name="Study", share=34),
            Column(name="Technique", share=30),
            Column(name="Came back", share=20),
            Column(name="For what", share=60),
        ),
        rows=tuple(
            (
                Cell(words=row.study, under=(row.arm,)),
                row.technique,
                f"{row.entry.returned} of {row.entry.thumbs:g}"
                if row.entry.thumbs
                else f"{row.entry.returned}",
                _for_what(row.entry.counts, row.entry.not_stated, row.entry.overlap),
            )
            for row in found.rows
        ),
        label=f"Returns by report: {caption}",
    )


def _for_what(counts: Mapping[str, int], not_stated: int, overlap: bool) -> str:
    parts = [f"{label_of('return_causes', cause)} {thumbs}" for cause, thumbs in counts.items()]
    if not_stated:
        parts.append(f"not stated {not_stated}")
    text = ", ".join(parts) or "–"
    return f"{text} (a thumb may stand under several)" if overlap else text
