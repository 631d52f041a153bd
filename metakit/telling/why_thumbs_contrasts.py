"""Options at a source of trouble against each other, within studies and outside of the plan, in one table."""

from __future__ import annotations

from metakit.core.written import count
from metakit.synthesis.returning.option_contrasts import OptionContrast
from metakit.synthesis.returning.trouble_findings import TroubleFindings
from metakit.synthesis.terms import outcome_term
from metakit.synthesis.words import lower_first
from metakit.telling.blocks import Block, Cell, Column, Say, Table, Words, folded

LEAD = (
    "Every two options that some study holds against each other and the plan does not ask about: all thumbs, "
    "and each band of the MP angle before surgery that reports count by. None was picked for its answer, "
    "nobody judged how certain they are, and of many looked at together some lie off by chance alone. A band "
    "is a part of each arm: what was randomised is the whole arm."
)


def contrast_blocks(trouble: TroubleFindings) -> tuple[Block, ...]:
    """Return the table; nothing where the plan asks about all that studies compare."""
    contrasts = [item for source in trouble.sources for item in source.contrasts]
    if not contrasts:
        return ()
    table = Table(
        caption="Options against each other within studies, outside of the plan",
        columns=(
            Column(name="Compared", share=44),
            Column(name="Outcome", share=30),
            Column(name="Answer", share=50),
            Column(name="Studies", share=34),
        ),
        rows=tuple(_row(item) for item in contrasts),
        label="Options against each other, outside of the plan",
        look="stacked",
    )
    title = "Options against each other, and within bands of the angle (outside of the plan)"
    return folded(title, (Say(words=LEAD, look="quiet"), table), number=len(contrasts))


def _row(item: OptionContrast) -> tuple[Cell | Words, ...]:
    band = f"{item.band} degrees before surgery" if item.band else "all thumbs"
    first, second = item.thumbs
    under = [f"{first} against {count(second, 'thumb')}", *([item.differ] if item.differ else [])]
    return (
        Cell(words=f"{item.option} against {lower_first(item.against)}", under=(band,)),
        outcome_term(item.outcome).label,
        item.answer,
        Cell(words=", ".join(item.studies), under=tuple(under)),
    )
