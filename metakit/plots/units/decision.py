"""Figures of a unit's page: expected events, what drives the answer, outcomes against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metakit.core.written import decimals_for, fixed
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_drivers import Drivers
from metakit.plots.scale import Interval
from metakit.plots.units.decision_layout import (
    DriverContent,
    DriverRow,
    ExpectedContent,
    ExpectedRow,
    TradeContent,
    TradePoint,
    lay_out_drivers,
    lay_out_expected,
    lay_out_trade,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_TRADES = 3


def expected_content(found: UnitDecision, *, title: str = "") -> ExpectedContent | None:
    """Return the content of the figure of expected events, None for a unit of scores alone."""
    groups = []
    for outcome in found.unit.outcomes:
        rows = [
            ExpectedRow(
                name=item.cell.technique.label,
                events=(item.cohort.mean, item.cohort.lower, item.cohort.upper),
                words=_numbers(item.cohort.mean, item.cohort.lower, item.cohort.upper),
                current=item.cell.is_current,
            )
            for item in found.expectations
            if item.cell.outcome.term.id == outcome.term.id and item.cohort is not None
        ]
        if rows:
            groups.append((f"{outcome.term.label}{_when(found, outcome.term.id)}", tuple(rows)))
    if not groups:
        return None
    return ExpectedContent(
        title=title,
        axis_name=f"Thumbs with the event, of {found.unit.volume.value:g} operated on in a year",
        groups=tuple(groups),
    )


def _when(found: UnitDecision, name: str) -> str:
    outcome = next(item for item in found.unit.outcomes if item.term.id == name)
    if outcome.baseline is not None and outcome.baseline.per_year:
        return f", within {found.unit.years.value:g} years"
    return f", within {outcome.months:g} months" if outcome.months else ""


def _numbers(expected: float, lower: float, upper: float) -> str:
    return f"{fixed(expected, 0 if expected >= 9.95 else 1)} ({lower:.0f} to {upper:.0f})"


def expected_text(content: ExpectedContent) -> str:
    """Return the words that stand for the figure of expected events."""
    parts = [
        f"{label}: {'; '.join(f'{row.name} {row.words}' for row in rows)}." for label, rows in content.groups
    ]
    return " ".join([f"{content.axis_name}, expected (range).", *parts])


def driver_content(found: UnitDecision, item: Drivers, *, title: str = "") -> DriverContent | None:
    """Return the content of the figure of drivers of one technique, None when no input has limits."""
    rows = tuple(
        DriverRow(name=bar.name, limits=bar.limits, at_low=bar.at_low, at_high=bar.at_high)
        for bar in item.bars
    )
    if not rows:
        return None
    what = (
        "weighted sum of one year's thumbs"
        if item.weighted
        else f"{item.quantity}, thumbs of one year ({item.technique.label} less current)"
    )
    current = found.unit.technique(found.unit.current).label
    return DriverContent(
        title=title,
        axis_name=f"Difference in the {what}" if item.weighted else f"Difference: {what}",
        difference=item.difference,
        rows=rows,
        left_words=f"in favour of {item.technique.label}",
        right_words=f"in favour of {current}",
    )


def driver_text(content: DriverContent) -> str:
    """Return the words that stand for the figure of drivers."""
    decimals = decimals_for([max(abs(row.at_high - row.at_low) for row in content.rows)])
    rows = [
        f"{row.name} ({row.limits}): {fixed(row.at_low, decimals)} to {fixed(row.at_high, decimals)}"
        for row in content.rows
    ]
    return (
        f"{content.axis_name}; below 0 {content.left_words}. At the estimates "
        f"{fixed(content.difference, decimals)}. One input at a time: {'; '.join(rows)}."
    )


def trade_contents(found: UnitDecision, *, title: str = "") -> tuple[TradeContent, ...]:
    """Return one picture for the first outcome against each of the next, where two techniques have both."""
    outcomes = found.unit.outcomes
    contents = []
    for other in outcomes[1 : MOST_TRADES + 1]:
        pairs = [
            (one, two)
            for technique in found.unit.techniques
            if (one := found.expectation(outcomes[0].term.id, technique.id)) is not None
            and (two := found.expectation(other.term.id, technique.id)) is not None
            and all(item.cell.is_current or item.cell.compares for item in (one, two))
        ]
        if len(pairs) < 2:
            continue
        contents.append(
            TradeContent(
                title=title,
                across_name=_axis(found, pairs[0][0]),
                up_name=_axis(found, pairs[0][1]),
                better=f"Better lies {_way(pairs[0][1], ('below', 'above'))} and to the "
                f"{_way(pairs[0][0], ('left', 'right'))}.",
                points=tuple(
                    TradePoint(
                        name=one.cell.technique.label,
                        across=_interval(one),
                        up=_interval(two),
                        current=one.cell.is_current,
                    )
                    for one, two in pairs
                ),
            )
        )
    return tuple(contents)


def _way(item: Expectation, words: tuple[str, str]) -> str:
    return words[0] if item.cell.outcome.worse > 0 else words[1]


def _axis(found: UnitDecision, item: Expectation) -> str:
    term = item.cell.outcome.term
    if item.cell.outcome.scored:
        current = found.unit.technique(found.unit.current).label
        return f"{term.label}: difference to {current} ({term.unit})"
    return f"{term.label}{_when(found, term.id)}, per 100 thumbs"


def _interval(item: Expectation) -> Interval:
    factor = 1.0 if item.cell.outcome.scored else 100.0
    found = item.per_thumb.times(factor)
    return found.planned, found.lower, found.upper


def trade_text(content: TradeContent) -> str:
    """Return the words that stand for a picture of two outcomes."""

    def words(found: Interval) -> str:
        return f"{found[0]:.1f} ({found[1]:.1f} to {found[2]:.1f})"

    points = [f"{point.name}: {words(point.across)} and {words(point.up)}" for point in content.points]
    return f"{content.across_name}, against {content.up_name}. {content.better} {'; '.join(points)}."


def expected_figure(content: ExpectedContent, *, width_mm: float = 180) -> Figure:
    """Draw expected events with their ranges at the final size (80 to 400 mm wide)."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_expected(content, width_mm=width_mm, measure=text_width), content.title)


def driver_figure(content: DriverContent, *, width_mm: float = 180) -> Figure:
    """Draw what drives the answer at the final size."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_drivers(content, width_mm=width_mm, measure=text_width), content.title)


def trade_figure(content: TradeContent, *, width_mm: float = 180) -> Figure:
    """Draw techniques over two outcomes at the final size."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    return scene_figure(lay_out_trade(content, width_mm=width_mm, measure=text_width), content.title)
