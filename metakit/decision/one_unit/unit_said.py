"""What is said of one outcome with one technique: average centre, a unit like this one, and studies."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.written import fixed, listed, per_100
from metakit.decision.one_unit.expected import CountRange, Range
from metakit.decision.one_unit.unit import Unit
from metakit.decision.one_unit.unit_cells import Cell
from metakit.decision.one_unit.unit_driver_words import heard_effect, heard_sides
from metakit.decision.one_unit.unit_evidence import stretched_from
from metakit.decision.thresholds import Thresholds
from metakit.synthesis.gathering.windows import LAST, window
from metakit.synthesis.words import lower_first

AVERAGE = "on average over centres"
OF_YEAR = " of one year's thumbs"


def studied_words(cells: Sequence[Cell]) -> list[str]:
    """Say what the studies of a technique compare, where it is more than the unit's own two.

    Parameters
    ----------
    cells : sequence of Cell
        Of one technique, those that compare.
    """
    held: dict[tuple[str, str], list[str]] = {}
    for cell in cells:
        if cell.link is not None and cell.link.sides is not None:
            held.setdefault(cell.link.sides, []).append(lower_first(cell.outcome.term.label))
    parts = []
    for (own, other), outcomes in held.items():
        which = "" if len(outcomes) == len(cells) else f"for {listed(outcomes)} "
        parts.append(f"{which}studies compare {own} with {other}.")
    return parts


def labelled(unit: Unit, cell: Cell, *, timed: bool) -> str:
    """Name an outcome; `timed`: with the time of a score. A rate that is stretched over years says so."""
    label, mean = cell.outcome.term.label, stretched_from(unit, cell)
    if mean is not None:
        followed = fixed(mean, 1).removesuffix(".0")
        return f"{label} (studies followed {followed} years, stretched to {unit.years.value:g})"
    asked = cell.finding.outcome_plan.window if cell.finding is not None else LAST
    if not cell.outcome.scored or not timed:
        return label
    return f"{label} at {'last follow-up' if asked == LAST else lower_first(window(asked).label)}"


def average_words(cell: Cell) -> str:
    """Say what fits for the average centre."""
    result = cell.finding.result if cell.finding is not None else None
    if result is None:  # pragma: no cover - a comparison has a result
        return ""
    return f"{AVERAGE} ({heard_effect(cell, result)})"


def unit_words(
    cell: Cell, change: Range, now: CountRange | None, *, of: str = OF_YEAR, unit: bool = True
) -> str:
    """Say where a unit like this one may lie; `of`: of which thumbs; `unit`: with that of a score."""
    if cell.outcome.scored:
        return heard_sides(cell, change.lower, change.upper, named=unit)
    return f"{fewer_to_more(change, now)}{of}"


def past_words(unit: Unit, cell: Cell, change: Range) -> str:
    """Say how much matters where a unit like this one may lie past it; "" where it may not."""
    smallest = Thresholds.of(cell.finding.outcome_plan, "") if cell.finding is not None else None
    if smallest is None:
        return ""
    limit = smallest.smallest * (1.0 if cell.outcome.scored else unit.volume.value / 100)
    if max(abs(change.lower), abs(change.upper)) < limit:
        return ""
    return f"{limit:.3g}"


def fewer_to_more(change: Range, now: CountRange | None = None) -> str:
    """Write a difference of thumbs as `3 fewer to 16 more`.

    Where more fewer may be than are planned for as now, it is said behind them that what is now is uncertain.

    Examples
    --------
    >>> fewer_to_more(Range(mean=2.0, median=1.0, lower=-3.1, upper=16.2))
    '3.1 fewer to 16 more'
    """

    def side(value: float) -> str:
        return f"{per_100(abs(value))} {'fewer' if value < 0 else 'more'}"

    low, high = side(change.lower), side(change.upper)
    if change.lower * change.upper > 0:
        low = per_100(abs(change.lower))
    elif now is not None and -change.lower > now.mean:
        low += f" (yours may exceed {per_100(now.mean)})"
    return f"{low} to {high}"
