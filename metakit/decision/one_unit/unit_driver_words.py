"""What drives a unit's answer, written."""

from __future__ import annotations

import math

from metakit.core.results import PoolResult
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


def plain(value: float) -> str:
    """Write a number with three digits: a baseline, a volume, a weight."""
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


_FRACTIONS = (
    ("a tenth", 1 / 10), ("a fifth", 1 / 5), ("a quarter", 1 / 4), ("a third", 1 / 3), ("half", 1 / 2),
    ("two thirds", 2 / 3), ("three quarters", 3 / 4), ("four fifths", 4 / 5), ("twice", 2.0),
)  # fmt: skip
_NEAR = 0.05
"""How far a ratio may lie from a fraction that is said for it, of itself (ours, no source)."""


def heard_effect(cell: Cell, result: PoolResult) -> str:
    """Say the effect of the average centre with its interval so that it is understood at one hearing.

    Parameters
    ----------
    cell : Cell
        Of a comparison.
    result : PoolResult
        Its answer, as the review states it.

    Returns
    -------
    str
        `about a third as often, 0.02 to 5.7 times`: ratios with few digits, never rounded to 1;
        differences as better or worse, more or fewer.
    """
    if cell.link is None:  # pragma: no cover - only comparisons are said
        return ""
    measure = MEASURES[cell.link.plan.measure]
    sign = -1.0 if cell.link.backwards else 1.0
    value, (low, high) = sign * result.estimate, sorted(sign * end for end in result.interval)
    if measure.scale(cell.link.plan.scale).axis == "log":
        value, low, high = (math.exp(end) if end < 700 else math.inf for end in (value, low, high))
        of = "the odds" if "odds" in measure.name else "as often"
        return f"about {_fold(value)} {of}, {_between(_times(low), _times(high))} times"
    size = 1.0 if cell.outcome.scored else 100.0
    unit = "" if cell.outcome.scored else "in 100"
    low, high = sorted(size * end for end in (low, high))
    return heard_sides(cell, low, high, unit)


def heard_sides(cell: Cell, low: float, high: float, unit: str = "", *, named: bool = True) -> str:
    """Say a range of differences with both directions: `5.5 points worse to 6 better`.

    Parameters
    ----------
    cell : Cell
        Of a comparison; its outcome says which way is better.
    low, high : float
        Technique less what is done now.
    unit : str
        Of differences of events; scores have their own.
    named : bool
        Say the unit.
    """
    if cell.outcome.scored:
        unit, ways, factor = cell.outcome.term.unit, ("worse", "better"), -float(cell.outcome.worse)
    else:
        ways, factor = ("fewer", "more"), 1.0
    first, last = sorted((factor * low, factor * high))

    def side(end: float, of: str = "") -> str:
        size = "∞" if math.isinf(end) else fixed(abs(end), 1).removesuffix(".0")
        return f"{size}{of} {ways[end > 0]}"

    return _between(side(first, f" {unit}" if unit and named else ""), side(last))


def _between(low: str, high: str) -> str:
    """Write `low to high`; a side without a limit has none."""
    if "∞" in low and "∞" in high:
        return "anything"
    if "∞" in high:
        return f"from {low} upwards"
    return f"up to {high}" if "∞" in low else f"{low} to {high}"


def _fold(value: float) -> str:
    for word, fraction in _FRACTIONS:
        if abs(value / fraction - 1) <= _NEAR:
            return word
    return f"{_times(value)} times"


def _times(value: float) -> str:
    """Write a ratio with the digits that are heard, never as 1 where it is not 1.

    Examples
    --------
    >>> [_times(value) for value in (0.019, 0.93, 1.38, 5.69, 51.6, 0.9996, 1.0)]
    ['0.02', '0.9', '1.4', '5.7', '52', '0.9996', '1']
    """
    if math.isinf(value) or value == 0:
        return "∞" if value else "0"
    decimals = 0 if value >= 9.95 else 1 if value >= 0.095 else -math.floor(math.log10(value * 1.0000001))
    text = f"{value:.{decimals}f}"
    while float(text) == 1 and value != 1 and decimals < 6:
        decimals += 1
        text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
