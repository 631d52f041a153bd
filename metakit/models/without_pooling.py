"""Studies put together without pooling: directions counted, effects described, p values combined.

The methods of chapter 12 of the Cochrane Handbook (McKenzie & Brennan), told as SWiM asks (Campbell 2020).
Votes are counted by direction alone, never by statistical significance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits
from metakit.errors import NotEstimableError
from metakit.measures.exact_intervals import clopper_pearson, wilson
from metakit.measures.registry import MEASURES
from metakit.numerics.directions import fisher_combination, sign_test

Side = Literal["below", "above", "neither", "unknown"]
FEWEST = 2
FEWEST_FOR_QUARTILES = 4
REFERENCES = ("campbell_2020", "mckenzie_brennan_2024", "clopper_pearson_1934", "fisher_1932")
_SAME = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyDirection:
    """One study: the side of no difference on which its effect lies, and the effect in natural units.

    `neither` is exactly no difference, as with no event in either arm; `unknown` has no number to tell.
    `effect` is None where the study has no effect of its own on this measure.
    """

    study: str
    side: Side
    effect: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectionCount:
    """How many studies lie on either side.

    `share` is the fraction below among those with a direction, `interval` its exact limits, `wilson` the
    score limits that the Handbook also allows, `p_value` the two-sided exact test of one half. All four are
    None where no study has a direction.
    """

    below: int
    above: int
    neither: int
    unknown: int
    share: float | None = None
    interval: Limits | None = None
    wilson: Limits | None = None
    p_value: float | None = None

    @property
    def counted(self) -> int:
        """Studies with a direction."""
        return self.below + self.above


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectSpread:
    """The effects of k studies in natural units, none weighing more than another.

    The middle two of an even number of effects are averaged on the analysis scale. `quartiles` is None with
    fewer than four studies.
    """

    k: int
    median: float
    lowest: float
    highest: float
    quartiles: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CombinedPValue:
    """Fisher's combination of one-sided p values: whether any study has an effect on this side."""

    side: Literal["below", "above"]
    k: int
    statistic: float
    df: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WithoutPooling:
    """What studies say together without a pooled effect; parts that do not apply are None or empty."""

    measure: str
    level: float
    studies: tuple[StudyDirection, ...]
    directions: DirectionCount | None
    spread: EffectSpread | None
    combined: tuple[CombinedPValue, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the synthesis as JSON; shares are fractions, effects in natural units."""
        counts, spread = self.directions, self.spread
        return {
            "method": "synthesis without pooling",
            "measure": self.measure,
            "level": self.level,
            "studies": [
                {"study": row.study, "direction": row.side, "effect": row.effect} for row in self.studies
            ],
            "directions": {
                "below": counts.below,
                "above": counts.above,
                "neither": counts.neither,
                "unknown": counts.unknown,
                "share_below": counts.share,
                "interval": list(counts.interval) if counts.interval else None,
                "wilson_interval": list(counts.wilson) if counts.wilson else None,
                "sign_test_p_value": counts.p_value,
            }
            if counts
            else None,
            "effects": {
                "k": spread.k,
                "median": spread.median,
                "quartiles": list(spread.quartiles) if spread.quartiles else None,
                "lowest": spread.lowest,
                "highest": spread.highest,
            }
            if spread
            else None,
            "combined_p_values": [
                {"side": c.side, "k": c.k, "statistic": c.statistic, "df": c.df, "p_value": c.p_value}
                for c in self.combined
            ],
        }


def without_pooling(table: EffectTable, *, level: float = 0.95) -> WithoutPooling:
    """Put the studies of a table together without pooling them.

    Directions follow the numbers as observed: a correction of zero cells can turn them round where arms
    differ in size. A measure without a value of no difference has no directions.

    Parameters
    ----------
    table : EffectTable
        Effects with their raw columns.
    level : float
        Of the interval for the share of directions.

    Raises
    ------
    NotEstimableError
        With fewer than two studies.

    References
    ----------
    Campbell M, McKenzie JE, Sowden A, et al. (2020). BMJ 368:l6890. McKenzie JE, Brennan SE. Chapter 12 of
    the Cochrane Handbook.
    """
    if len(table) < FEWEST:
        raise NotEstimableError("a synthesis without pooling needs two studies or more")
    measure = MEASURES[table.measure]
    natural = _natural(table)
    comparative = measure.null_value is not None
    unknown: Side = "unknown"
    sides = _sides(table) if comparative else (unknown,) * len(table)
    studies = tuple(
        StudyDirection(study=name, side=side, effect=float(value) if math.isfinite(value) else None)
        for name, side, value in zip(table.study, sides, natural, strict=True)
    )
    return WithoutPooling(
        measure=table.measure,
        level=level,
        studies=studies,
        directions=_count(sides, level) if comparative else None,
        spread=_spread(table, natural),
        combined=_combined(table) if comparative else (),
    )


def _sides(table: EffectTable) -> tuple[Side, ...]:
    """Say on which side each study lies, by its observed numbers where there are two arms of them."""
    difference = _observed_difference(table.data)
    if difference is None:
        null = MEASURES[table.measure].null_value or 0.0
        difference = np.where(table.estimable, table.effect - null, np.nan)
    found: list[Side] = []
    for value in difference:
        if not math.isfinite(value):
            found.append("unknown")
        else:
            found.append("neither" if value == 0 else "below" if value < 0 else "above")
    return tuple(found)


def _observed_difference(data: Mapping[str, FloatArray]) -> FloatArray | None:
    """Return a number with the sign of arm 1 less arm 2, None for tables without such columns."""
    for top, base in (("events", "total"), ("events", "time"), ("mean", "")):
        if f"{top}_1" not in data or (base and f"{base}_1" not in data):
            continue
        first, second = data[f"{top}_1"], data[f"{top}_2"]
        if base:  # cross products: 3 of 30 equals 1 of 10 exactly
            first, second = first * data[f"{base}_2"], second * data[f"{base}_1"]
        close = np.abs(first - second) <= _SAME * np.maximum(np.abs(first), np.abs(second))
        return np.where(close, 0.0, first - second)
    return None


def _natural(table: EffectTable) -> FloatArray:
    """Return each effect in natural units, NaN without one; one-arm counts and rates as observed."""
    data, measure = table.data, MEASURES[table.measure]
    for base in ("total", "time"):
        if "events" in data and base in data and measure.arms == 1:
            return np.asarray(data["events"] / data[base], dtype=float)
    back = measure.scale(table.scale).to_natural
    found = np.full(len(table), np.nan)
    found[table.estimable] = back(table.effect[table.estimable])
    return found


def _count(sides: tuple[Side, ...], level: float) -> DirectionCount:
    below, above = sides.count("below"), sides.count("above")
    neither, unknown = sides.count("neither"), sides.count("unknown")
    counted = below + above
    if counted == 0:
        return DirectionCount(below=0, above=0, neither=neither, unknown=unknown)
    x, n = np.asarray(float(below)), np.asarray(float(counted))
    return DirectionCount(
        below=below,
        above=above,
        neither=neither,
        unknown=unknown,
        share=below / counted,
        interval=Limits(*map(float, clopper_pearson(x, n, level))),
        wilson=Limits(*map(float, wilson(x, n, level))),
        p_value=float(sign_test(below, counted)),
    )


def _spread(table: EffectTable, natural: FloatArray) -> EffectSpread | None:
    usable = np.isfinite(natural)
    k = int(usable.sum())
    if k < FEWEST:
        return None
    measure = MEASURES[table.measure]
    one_arm = measure.arms == 1 and "events" in table.data
    values = natural[usable] if one_arm else table.effect[usable]
    lowest, low, median, high, highest = np.quantile(values, [0, 0.25, 0.5, 0.75, 1])
    back = measure.scale(table.scale).to_natural

    def shown(value: float) -> float:
        return float(value) if one_arm else float(back(np.asarray(value)))

    return EffectSpread(
        k=k,
        median=shown(median),
        lowest=shown(lowest),
        highest=shown(highest),
        quartiles=(shown(low), shown(high)) if k >= FEWEST_FOR_QUARTILES else None,
    )


def _combined(table: EffectTable) -> tuple[CombinedPValue, ...]:
    usable = table.select(table.estimable)
    if len(usable) < FEWEST:
        return ()
    z = (usable.effect - (MEASURES[table.measure].null_value or 0.0)) / np.sqrt(usable.variance)
    logs = special.log_ndtr(np.stack([z, -z]))
    statistic, df, p_value = fisher_combination(logs)

    def combined(side: Literal["below", "above"], i: int) -> CombinedPValue:
        return CombinedPValue(
            side=side,
            k=len(usable),
            statistic=float(statistic[i]),
            df=float(df[i]),
            p_value=float(p_value[i]),
        )

    return combined("below", 0), combined("above", 1)
