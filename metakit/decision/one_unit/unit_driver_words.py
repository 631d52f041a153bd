"""What drives a unit's answer, written."""

from __future__ import annotations

import math

from metakit.core.written import fixed, ratio
from metakit.decision.one_unit.unit_cells import Cell
from metakit.measures.registry import MEASURES


def together(low: str, high: str) -> str:
    """Write `low to high`, the words at their beginning or end that both share said once.

    Examples
    --------
    >>> together("rate ratio 0.5", "rate ratio 2.0"), together("3 per 100 thumbs", "9 per 100 thumbs")
    ('rate ratio 0.5 to 2.0', '3 to 9 per 100 thumbs')
    """
    one, two = low.split(" "), high.split(" ")
    begun = next((i for i, (a, b) in enumerate(zip(one, two, strict=False)) if a != b), 0)
    if begun:
        return f"{low} to {' '.join(two[begun:])}"
    shared = next((i for i, (a, b) in enumerate(zip(one[::-1], two[::-1], strict=False)) if a != b), len(one))
    return f"{' '.join(one[: len(one) - shared])} to {high}" if 0 < shared < len(one) else f"{low} to {high}"


def _plain(value: float) -> str:
    return f"{value:.3g}"


def shown_baseline(cell: Cell, value: float) -> str:
    """Show a baseline per 100 thumbs or thumb-years."""
    return f"{100 * value:.3g} per 100 {'thumb-years' if cell.per_year else 'thumbs'}"


def shown_effect(cell: Cell, value: float) -> str:
    """Show an effect of the analysis scale in natural units, technique against current technique."""
    if cell.link is None:
        return ""
    measure = MEASURES[cell.link.plan.measure]
    if cell.link.series:
        return shown_baseline(cell, cell.at(value))
    size = -value if cell.link.backwards else value
    if measure.scale(cell.link.plan.scale).axis == "log":
        return f"{measure.label.lower()} {ratio(math.exp(size) if size < 700 else math.inf)}"
    if measure.name == "risk_difference":
        return f"{fixed(100 * size, 1)} per 100 thumbs"
    return f"{fixed(size, 1)} {cell.outcome.term.unit}"
