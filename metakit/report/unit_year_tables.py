"""The years of a unit's page as texts: since the operation, and of the calendar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.written import listed, per_100
from metakit.decision.one_unit.expected import CountRange, of_100
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_decision import UnitDecision


@dataclass(frozen=True, slots=True, kw_only=True)
class YearLine:
    """One year with a cell for each technique."""

    year: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class YearTable:
    """The years of one outcome in both views; `extreme` says which means a few extreme draws make."""

    outcome: str
    techniques: tuple[str, ...]
    since_operation: tuple[YearLine, ...]
    calendar: tuple[YearLine, ...]
    extreme: str


def year_tables(found: UnitDecision) -> list[YearTable]:
    """Return the two views over the years of every outcome with a rate."""
    tables = []
    for outcome in found.unit.outcomes:
        items = [
            item
            for item in found.expectations
            if item.cell.outcome.term.id == outcome.term.id and item.by_year
        ]
        if not items:
            continue
        views = []
        for name in ("by_year", "calendar"):
            rows = [getattr(item, name) for item in items]
            views.append(
                tuple(
                    YearLine(year=f"year {parts[0].year:g}", cells=tuple(_year_cell(p.counts) for p in parts))
                    for parts in zip(*rows, strict=True)
                )
            )
        tables.append(
            YearTable(
                outcome=outcome.term.label,
                techniques=tuple(item.cell.technique.label for item in items),
                since_operation=views[0],
                calendar=views[1],
                extreme=_extreme_years(items),
            )
        )
    return tables


def _year_cell(found: CountRange) -> str:
    """Write a count of a year: the middle value first, since extreme draws make means of years cross."""
    marked = " of extreme draws" if found.extreme else ""
    return f"{found.median:.0f} ({found.lower:.0f} to {found.upper:.0f}; mean{marked} {per_100(found.mean)})"


def _extreme_years(items: Sequence[Expectation]) -> str:
    """Say of which techniques a few extreme draws make the means of years."""
    found = []
    for item in items:
        counts = [part.counts for part in (*item.by_year, *item.calendar) if part.counts.extreme]
        if counts:
            least, most = (of_100(end(count.below for count in counts)) for end in (min, max))
            share = most if least == most else f"{least.removesuffix(' of 100')} to {most}"
            found.append(f"{item.cell.technique.label} ({share} lie below them)")
    return (
        f"A few extreme draws make the means of {listed(found)}; look at the middle values." if found else ""
    )
