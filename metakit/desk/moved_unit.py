"""What a department may expect under inputs that somebody moves: quickly from few draws, then from all.

The draws of baselines and effects are kept while only volume, years or weights move. Nothing is stored, and
nothing is recommended.
"""

from __future__ import annotations

import copy
import hashlib
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from metakit.desk.reviewing import reviewed
from metakit.desk.state import Desk
from metakit.desk.tried import trials_of
from metakit.errors import UsageError

if TYPE_CHECKING:
    from metakit.decision.one_unit.unit import Unit
    from metakit.decision.one_unit.unit_cells import Cell
    from metakit.synthesis.findings import Findings

ROUGH = 10_000
"""Draws while an input moves."""
_WHOLE = threading.Lock()
_LATEST: dict[str, tuple[str, ...]] = {}
"""What was asked of each unit last: all draws are made for that alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One number that can be moved, with its limits: those of the unit's file, or wide ones around it."""

    name: str
    label: str
    value: float
    lowest: float
    highest: float
    step: str
    typed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownUnit:
    """What the page shows.

    An outcome's rows are technique, expected, middle value, per 100, difference or reason, and a remark where
    a few extreme draws make a mean.
    """

    draws: int
    rough: bool
    volume: float
    outcomes: tuple[tuple[str, bool, tuple[tuple[str, ...], ...]], ...]
    burdens: tuple[tuple[str, ...], ...]
    drivers: tuple[tuple[str, str, tuple[tuple[str, ...], ...]], ...]
    moved: tuple[str, ...]


def units_of(desk: Desk) -> list[tuple[str, str]]:
    """Return the unit files of a review: name of the file without ending, and the unit's own name."""
    found = []
    for path in sorted(desk.folder.glob("*.yaml")):
        reading = desk.reading(path) if desk.is_plain(path) else None
        if reading is not None and reading.form is not None and reading.form.name == "unit":
            name = reading.group.text("unit.name") if reading.group else ""
            found.append((path.stem, name or path.stem))
    return found


def unit_path(desk: Desk, name: str) -> Path:
    """Return the file of a unit.

    Raises
    ------
    UsageError
        When the review has no such unit.
    """
    if name not in dict(units_of(desk)):
        raise UsageError(f"this review has no unit {name}")
    return desk.folder / f"{name}.yaml"


def typed_unit(desk: Desk, name: str) -> tuple[Unit, str]:
    """Return a unit as its file has it, and the file's hash; errors as for `read_unit`."""
    path = unit_path(desk, name)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()

    def make() -> Unit:
        from metakit.decision.one_unit.unit_reading import read_unit

        return read_unit(path)

    return desk.keep(("unit", str(path), digest), make), digest


def inputs_of(unit: Unit) -> tuple[Input, ...]:
    """Return what can be moved, in the order of the page."""
    volume, years = unit.volume, unit.years
    found = [
        _input("volume", "Thumbs operated on in a year", volume.value, volume.limits, "1"),
        _input("years", "Years that a year's thumbs are followed", years.value, years.limits, "0.25"),
    ]
    for outcome in unit.outcomes:
        label = outcome.term.label
        if outcome.baseline is not None:
            per = "thumb-years" if outcome.baseline.per_year else "thumbs"
            name, words = (
                f"events_{outcome.term.id}",
                f"{label}: your events in {outcome.baseline.total:g} {per}",
            )
            most = (
                outcome.baseline.total if not outcome.baseline.per_year else 4 * outcome.baseline.events + 10
            )
            found.append(
                Input(
                    name=name, label=words, value=outcome.baseline.events, lowest=0.0, highest=float(most),
                    step="1", typed=False,
                )
            )  # fmt: skip
        if outcome.weight is not None:
            limits = outcome.weight.limits
            step = f"{min(1.0, max(outcome.weight.value, 1e-3) / 20):.2g}"
            found.append(
                _input(f"weight_{outcome.term.id}", f"{label}: weight", outcome.weight.value, limits, step)
            )
    return tuple(found)


def _input(name: str, label: str, value: float, limits: tuple[float, float] | None, step: str) -> Input:
    low, high = limits or (value / 4, value * 4)
    return Input(
        name=name, label=label, value=value, lowest=min(low, value), highest=max(high, value), step=step,
        typed=limits is not None,
    )  # fmt: skip


def moved_unit(unit: Unit, query: Mapping[str, str]) -> Unit:
    """Return a unit with inputs as a page asks for them.

    Raises
    ------
    UsageError
        When a number is none, or lies outside what its input allows.
    """
    known = {item.name: item for item in inputs_of(unit)}
    wanted = {name: _number(known[name], text) for name, text in query.items() if name in known and text}
    from metakit.synthesis.baseline import baseline_from_counts

    outcomes = []
    for outcome in unit.outcomes:
        weight, baseline = outcome.weight, outcome.baseline
        if weight is not None and f"weight_{outcome.term.id}" in wanted:
            weight = replace(weight, value=wanted[f"weight_{outcome.term.id}"])
        if (
            baseline is not None
            and wanted.get(f"events_{outcome.term.id}", baseline.events) != baseline.events
        ):
            baseline = baseline_from_counts(
                baseline.kind, baseline.label, wanted[f"events_{outcome.term.id}"], baseline.total,
                per_year=baseline.per_year, level=baseline.level, source=baseline.source,
            )  # fmt: skip
        outcomes.append(replace(outcome, weight=weight, baseline=baseline))
    return replace(
        unit,
        volume=replace(unit.volume, value=wanted.get("volume", unit.volume.value)),
        years=replace(unit.years, value=wanted.get("years", unit.years.value)),
        outcomes=tuple(outcomes),
    )


def _number(item: Input, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise UsageError(f"{item.label}: {text[:20]!r} is no number") from None
    if not item.lowest <= value <= item.highest:
        raise UsageError(f"{item.label}: {value:g} lies outside {item.lowest:g} to {item.highest:g}")
    return value


def shown_unit(desk: Desk, name: str, query: Mapping[str, str], *, rest: bool) -> ShownUnit:
    """Return what to expect under the inputs, from all draws at `rest` and from few while they move."""
    from metakit.decision.one_unit.expected import DRAWS

    typed, digest = typed_unit(desk, name)
    unit = moved_unit(typed, query)
    size = DRAWS if rest else ROUGH
    values = tuple(f"{item.name}={item.value:g}" for item in inputs_of(unit))
    answers = reviewed(desk).digest
    bases = tuple(value for value in values if value.startswith("events_"))
    key = ("moved unit", answers, digest, str(size), *values)

    def make(rest: bool, size: int) -> ShownUnit:
        return _shown(desk, unit, typed, (answers, digest, *bases), size, rest=rest)

    if not rest:
        _LATEST[name] = values
        return desk.keep(key, lambda: make(False, size))
    with _WHOLE:  # one at a time: somebody who moves on would otherwise leave many running
        if _LATEST.get(name, values) != values:
            return make(False, ROUGH)
        return desk.keep(key, lambda: make(True, size))


def _shown(desk: Desk, unit: Unit, typed: Unit, key: tuple[str, ...], size: int, *, rest: bool) -> ShownUnit:
    from metakit.decision.one_unit.unit_answer import burdens, expectations
    from metakit.decision.one_unit.unit_drivers import drivers

    drawn = desk.keep(("unit cells", str(size), *key), lambda: _cells(desk, unit, size))
    outcomes = {outcome.term.id: outcome for outcome in unit.outcomes}
    cells = tuple(replace(cell, outcome=outcomes[cell.outcome.term.id]) for cell in drawn[0])
    expected = expectations(unit, cells, random=copy.deepcopy(drawn[1]))
    return ShownUnit(
        draws=size,
        rough=not rest,
        volume=unit.volume.value,
        outcomes=tuple(_outcome_rows(unit, cells, expected)),
        burdens=tuple(_burden_rows(unit, burdens(unit, cells))),
        drivers=tuple(_driver_rows(drivers(unit, cells))) if rest else (),
        moved=tuple(_moved_words(typed, unit)),
    )


def _cells(desk: Desk, unit: Unit, size: int) -> tuple[tuple[Cell, ...], Any]:
    """Draw baselines and effects, and return the state of the random numbers after them."""
    import numpy as np

    from metakit.decision.one_unit.unit_cells import cells_of
    from metakit.decision.one_unit.unit_links import links

    review = reviewed(desk).review
    chosen = links(unit, review.protocol)
    random = np.random.default_rng(unit.seed)
    cells = cells_of(
        unit, chosen, _answers(desk, {link.plan.id for link in chosen}), random=random, size=size
    )
    return cells, random


def _answers(desk: Desk, analyses: set[str]) -> Findings:
    """Return the planned answers of some analyses as findings."""
    from metakit.review.extraction import Extraction
    from metakit.synthesis.findings import Findings

    review = reviewed(desk).review
    nothing = Extraction(
        reconciled=(), declared=(), unreconciled=(), single=(), waiting={}, people=(), decisions=()
    )
    plans = [plan.id for plan in review.protocol.analyses if plan.id in analyses]
    return Findings(
        protocol=review.protocol, studies=review.studies, names={},
        analyses=tuple(trials_of(desk, name)[0].planned for name in plans),
        result_matrix={}, questions=(), versions={}, inputs={}, extraction=nothing,
    )  # fmt: skip


def _outcome_rows(unit: Unit, cells: Any, expected: Any) -> Any:
    from metakit.decision.one_unit.expected import extreme_words
    from metakit.decision.one_unit.unit_words import score_words
    from metakit.report.unit_tables import (
        NO_DIFFERENCE,
        counts_words,
        middle_cell,
        other_side_words,
        range_words,
        signed_words,
    )

    by_cell = {id(item.cell): item for item in expected}
    for outcome in unit.outcomes:
        rows: list[tuple[str, ...]] = []
        for cell in cells:
            if cell.outcome.term.id != outcome.term.id or (cell.is_current and outcome.scored):
                continue
            label = cell.technique.label + (", as now" if cell.is_current else "")
            item = by_cell.get(id(cell))
            if item is None:
                rows.append((label, "no number", "", "", cell.reason, ""))
            elif outcome.scored:
                rows.append((label, score_words(item), "", "", "", ""))
            else:
                change = (
                    signed_words(item.change) if item.change else "" if cell.is_current else NO_DIFFERENCE
                )
                median = middle_cell(item.cohort, unit.volume.value)
                per = range_words(item.per_thumb.times(100))
                remarks = [other_side_words(item.change)] if item.change else []
                if item.cohort and item.cohort.extreme:
                    remarks.insert(0, f"expected: {extreme_words(item.cohort)}")
                remark = "; ".join(filter(None, remarks))
                rows.append((label, counts_words(item.cohort), median, per, change, remark))
        yield outcome.term.label, outcome.scored, tuple(rows)


def _burden_rows(unit: Unit, found: Any) -> Any:
    from metakit.report.unit_tables import signed_words, wide

    for item in found:
        total = "no sum" if item.total is None else wide(item.total)
        yield (
            item.technique.label,
            total,
            "" if item.change is None else signed_words(item.change, 0),
            item.reason,
        )


def _driver_rows(found: Any) -> Any:
    from metakit.core.written import fixed

    for item in found:
        rows = tuple(
            (
                bar.name,
                bar.limits,
                f"{fixed(bar.at_low, 1)} to {fixed(bar.at_high, 1)}",
                "yes" if bar.turns else "no",
            )
            for bar in item.bars
        )
        yield item.technique.label, item.quantity, rows


def _moved_words(typed: Unit, unit: Unit) -> Any:
    before = {item.name: item for item in inputs_of(typed)}
    for item in inputs_of(unit):
        was = before[item.name].value
        if item.value != was:
            yield f"{item.label}: {item.value:g} instead of {was:g}"
