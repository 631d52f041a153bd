"""Stated scenarios of a unit's case mix: ratios that the unit typed, carried through; nothing is fitted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.decision.one_unit.expected import (
    CountRange,
    Range,
    count_range,
    counts_among,
    mixed_risk,
    split_risk,
    stratified,
)
from metakit.decision.one_unit.unit import Scenario, ScenarioEffect, Unit
from metakit.decision.one_unit.unit_cells import MOST_RISK, Cell
from metakit.synthesis.confidence import ConfidenceDistribution

STATED = (
    "These are stated scenarios: the share and the ratio were typed by the unit with their source. They were "
    "not fitted to the studies, whose mean ages or shares say nothing about single patients."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioRow:
    """One outcome with one technique under a scenario.

    `part` and `rest` are risks of a thumb in the part and in the rest within the years followed (for
    complications within the time of their baseline). `events` counts those of the part's thumbs of one year,
    `all_now` the expected events of all thumbs, `all_instead` with the other share, None without one.
    """

    scenario: Scenario
    effect: ScenarioEffect
    cell: Cell
    part: Range
    rest: Range
    events: CountRange
    all_now: float
    all_instead: Range | None


def scenario_rows(
    unit: Unit, cells: Sequence[Cell], *, random: np.random.Generator
) -> tuple[ScenarioRow, ...]:
    """Return every scenario carried through for the techniques it speaks about."""
    rows = []
    for scenario in unit.case_mix:
        for effect in scenario.effects:
            own = any(other.outcome == effect.outcome and other.technique for other in scenario.effects)
            named = {other.technique for other in scenario.effects if other.outcome == effect.outcome}
            for cell in cells:
                fits = cell.outcome.term.id == effect.outcome and cell.answered
                # A ratio typed for one technique goes before the one typed for all.
                mine = (
                    cell.technique.id == effect.technique
                    if effect.technique
                    else not (own and cell.technique.id in named)
                )
                if fits and mine:
                    rows.append(_row(unit, scenario, effect, cell, random))
    return tuple(rows)


def _row(
    unit: Unit, scenario: Scenario, effect: ScenarioEffect, cell: Cell, random: np.random.Generator
) -> ScenarioRow:
    volume, years, share = unit.volume.value, unit.years.value, scenario.share
    risks = np.minimum(cell.per_thumb(cell.draws, years), MOST_RISK)
    ratios = _ratio_draws(effect, random, len(risks))
    parts, rests = split_risk(risks, share, ratios)
    instead = None
    if scenario.share_instead is not None:
        instead = Range.of(volume * mixed_risk(parts, rests, scenario.share_instead))
    return ScenarioRow(
        scenario=scenario,
        effect=effect,
        cell=cell,
        part=Range.of(parts),
        rest=Range.of(rests),
        events=count_range(counts_among(volume * share, parts, random=random), volume * share * parts),
        all_now=volume * float(np.mean(risks)),
        all_instead=instead,
    )


def _ratio_draws(effect: ScenarioEffect, random: np.random.Generator, size: int) -> FloatArray:
    """Draw the ratio between its typed limits, taken as 95 % limits on the log scale; fixed without any."""
    limits = effect.rate_ratio.limits
    shares = stratified(random, size)
    if limits is None:
        return np.full(size, effect.rate_ratio.value)
    spread = ConfidenceDistribution.from_interval(
        math.log(effect.rate_ratio.value), math.log(limits[0]), math.log(limits[1]), level=0.95
    )
    return np.asarray(np.exp(spread.quantile(shares)))
