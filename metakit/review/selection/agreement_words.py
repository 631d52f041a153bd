"""Agreement of two screeners in a sentence, the same on the terminal and in the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.review.selection.screening import STAGE_WORDS, Stage

if TYPE_CHECKING:
    from metakit.review.reconciling.agreement import CategoryAgreement


def agreement_sentence(stage: Stage, found: CategoryAgreement) -> str:
    """Say how often two people agreed, and kappa with its interval where it is defined."""
    share = 100 * found.proportion_same
    text = f"the same decision on {found.same} of {found.n} ({share:.1f} %) by {STAGE_WORDS[stage]}"
    if found.kappa is None:
        return f"{text}; {found.note}"
    text += f"; kappa {found.kappa:.2f}"
    if found.kappa_interval is not None:
        lower, upper = found.kappa_interval
        text += f" ({100 * found.level:g} % interval {lower:.2f} to {upper:.2f})"
    if found.adjusted_kappa is not None:
        text += f", adjusted for prevalence and bias {found.adjusted_kappa:.2f}"
    return text + (f"; {found.note}" if found.note else "")
