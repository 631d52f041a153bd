"""Comparison-adjusted funnel: each contrast against its comparison's mean, in an order that the user states.

Source: Chaimani & Salanti 2012 (Res Synth Methods 3:161-176). Contrasts of different comparisons have
different means, so that only their distance from their own mean can be set side by side; and without an order
(the newer technique against the older) left and right mean nothing.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from metakit.errors import UnknownNameError, UsageError
from metakit.networks.evidence import direct_estimates
from metakit.networks.model import NetworkPart

FEW_STUDIES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelContrast:
    """One study's contrast, a later technique of the order against the study's earliest.

    `centred` is the effect less the mean of its comparison.
    """

    study: str
    technique: str
    comparator: str
    effect: float
    comparison_mean: float
    centred: float
    standard_error: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonAdjustedFunnel:
    """All contrasts of one part with their notes; `order` runs from the oldest technique to the newest."""

    order: tuple[str, ...]
    contrasts: tuple[FunnelContrast, ...]
    notes: tuple[str, ...]


def comparison_adjusted_funnel(part: NetworkPart, order: Sequence[str]) -> ComparisonAdjustedFunnel:
    """Return what a comparison-adjusted funnel draws.

    Parameters
    ----------
    part : NetworkPart
        Fitted by a model of arm values.
    order : sequence of str
        Every technique of the part, from the oldest (or usual) to the newest.

    Raises
    ------
    UnknownNameError, UsageError
        If the order names another technique, or leaves one out.
    """
    for name in order:
        if name not in part.techniques:
            raise UnknownNameError("technique of this network in the order", name, part.techniques)
    left_out = [name for name in part.techniques if name not in order]
    if left_out or len(set(order)) < len(order):
        raise UsageError(
            "the order of a comparison-adjusted funnel names every technique once; "
            + (f"left out: {', '.join(left_out)}" if left_out else "one stands twice")
        )
    arms, direct = part.arms, direct_estimates(part)
    rows: dict[str, list[int]] = {}
    for row, study in enumerate(arms.study):
        rows.setdefault(study, []).append(row)
    contrasts = []
    for study, members in rows.items():
        ordered = sorted(members, key=lambda row: order.index(arms.technique[row]))
        base = ordered[0]
        for row in ordered[1:]:
            pair = (arms.technique[row], arms.technique[base])
            mean = direct[pair].estimate if pair in direct else -direct[pair[1], pair[0]].estimate
            effect = float(arms.value[row] - arms.value[base])
            contrasts.append(
                FunnelContrast(
                    study=study,
                    technique=pair[0],
                    comparator=pair[1],
                    effect=effect,
                    comparison_mean=mean,
                    centred=effect - mean,
                    standard_error=math.sqrt(float(arms.variance[row] + arms.variance[base])),
                )
            )
    notes = []
    compared = Counter(
        frozenset((arms.technique[i], arms.technique[j]))
        for members in rows.values()
        for i in members
        for j in members
    )
    shown = dict.fromkeys((item.technique, item.comparator) for item in contrasts)
    single = [pair for pair in shown if compared[frozenset(pair)] == 2]  # counted from either side
    if single:
        named = "; ".join(f"{one} against {two}" for one, two in single)
        notes.append(f"Compared by one study, which sits on its own mean: {named}.")
    if len(rows) < FEW_STUDIES:
        notes.append(
            f"With {len(rows)} studies, fewer than {FEW_STUDIES}, a funnel cannot tell missing small studies "
            "from chance; do not read a shape into it."
        )
    return ComparisonAdjustedFunnel(order=tuple(order), contrasts=tuple(contrasts), notes=tuple(notes))
