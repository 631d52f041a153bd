"""The map of evidence: options against outcomes, what was studied and what nobody has studied."""

from __future__ import annotations

from collections.abc import Mapping

from metakit.core.written import count, listed
from metakit.synthesis.returning.trouble_findings import (
    EvidenceCell,
    EvidenceRow,
    SourceFinding,
    TroubleFindings,
)
from metakit.synthesis.terms import outcome_term
from metakit.synthesis.words import lower_first
from metakit.telling.blocks import Block, Cell, Column, Picture, Say, Table, Words, folded


def map_blocks(trouble: TroubleFindings, certainty: Mapping[tuple[str, str], str]) -> tuple[Block, ...]:
    """Return the map of evidence in words, a table a source; `certainty` by option and outcome."""
    tables = [
        block
        for number, source in enumerate(trouble.sources, 1)
        if source.rows
        for block in (
            Picture(name=f"evidence-map-{number}"),
            _map_table(source, certainty),
            *_never(source),
        )
    ]
    lead = Say(
        words="Each cell: studies (of them randomised), thumbs with the option, the studies that hold it "
        "against another option within themselves, and how certain the planned comparison is. An empty place "
        "says that no study has it.",
        look="quiet",
    )
    return folded("What was studied, and what nobody has studied", (lead, *tables)) if tables else ()


def _studied(source: SourceFinding) -> list[EvidenceRow]:
    return [row for row in source.rows if any(row.cells.values())]


def _never(source: SourceFinding) -> tuple[Block, ...]:
    """Name the options that no study has, for any outcome of the map."""
    never = [lower_first(row.label) for row in source.rows if not any(row.cells.values())]
    return (Say(words=f"No study for any of these outcomes: {listed(never)}."),) if never else ()


def _map_table(source: SourceFinding, certainty: Mapping[tuple[str, str], str]) -> Table:
    # Outcomes are more than the options that anybody studied: they stand one under the other.
    outcomes, studied = tuple(source.rows[0].cells), _studied(source)
    return Table(
        caption=source.label,
        columns=(
            Column(name="Outcome", share=30),
            *(Column(name=row.label, share=26) for row in studied),
        ),
        rows=tuple(
            (
                outcome_term(outcome).label,
                *(_map_cell(row.cells[outcome], certainty.get((row.option, outcome), "")) for row in studied),
            )
            for outcome in outcomes
        ),
        label=f"Map of evidence: {source.label}",
        look="stacked",
    )


def _map_cell(cell: EvidenceCell | None, certainty: str) -> Cell | Words:
    if cell is None:
        return "no study"
    compared = len(cell.comparing)
    return Cell(
        words=f"{count(len(cell.studies), 'study', 'studies')} ({cell.randomised} randomised)",
        under=(
            count(cell.thumbs, "thumb"),
            f"{compared} compare" if compared else "single arms only",
            *([f"certainty {certainty}"] if certainty else []),
        ),
    )
