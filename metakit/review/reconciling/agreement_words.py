"""How well two extractors agree, in a sentence, the same on the terminal, the page and in the report."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.review.reconciling.reconcile_agreement import FieldAgreement, OverallAgreement
from metakit.review.reconciling.reconcile_decisions import in_words

SUBSTANTIAL = 0.61
"""Kappa from here on is called substantial (Landis JR, Koch GG 1977, Biometrics 33:159-174; from memory)."""
FEWEST = 5
"""Values on which a kappa is worth a word here; what names an arm is told with fewer (no source)."""
NAMED = 4


def low_kappas(fields: Sequence[FieldAgreement]) -> tuple[FieldAgreement, ...]:
    """Return the choices whose own kappa is below substantial: those that name an arm first, then by it."""
    low = [
        (not field.identifies, field.categories.kappa, field.field, field)
        for field in fields
        if field.categories is not None
        and field.categories.kappa is not None
        and field.categories.kappa < SUBSTANTIAL
        and (field.identifies or field.n >= FEWEST)
    ]
    return tuple(row[-1] for row in sorted(low, key=lambda row: row[:-1]))


def overall_words(fields: Sequence[FieldAgreement], overall: OverallAgreement) -> str:
    """Say how many values are the same, the pooled kappa, and every choice that it would hide."""
    if not overall.n:
        return "nothing to compare"
    text = f"{overall.same:,} of {overall.n:,} values the same ({100 * overall.same / overall.n:.1f} %)"
    lacking = sum(
        field.n - field.same for field in fields if field.kind == "entry" and "." not in field.field
    )
    if lacking:
        text += f"; {lacking} {'entry' if lacking == 1 else 'entries'} only one person typed"
    if overall.kappa is None:
        return text
    text += f"; kappa of the choices {overall.kappa:.2f}"
    if overall.kappa_interval is not None:
        low, high = overall.kappa_interval
        text += f" ({100 * overall.level:.0f} % interval {low:.2f} to {high:.2f})"
    hidden = low_kappas(fields)
    if hidden:
        told = [
            f"{in_words(one.field)} {one.categories.kappa:.2f} ({one.same} of {one.n} the same)"
            for one in hidden[:NAMED]
            if one.categories is not None
        ]
        rest = f", and {len(hidden) - NAMED} more" if len(hidden) > NAMED else ""
        text += f", but below {SUBSTANTIAL:g} in {', '.join(told)}{rest}"
    return text
