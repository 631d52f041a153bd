"""What an answer hangs on: one event, how the spread between centres is treated, how empty arms are.

One event more and one less in each arm of each study, the whole set answered again by the same method: one
call of the kernel where effects are normal. Sources: Walsh 2014 J Clin Epidemiol 67:622-628 (counting events
until a conclusion turns), Atal 2019 J Clin Epidemiol 111:32-40 (of pooled answers); both from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from metakit.core.beside import Companion
from metakit.core.effects import BoolArray, EffectTable, FloatArray
from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.limits import Limits
from metakit.core.results import PoolResult
from metakit.errors import MetakitError
from metakit.measures.registry import MEASURES
from metakit.models.batch import random_effects_batch
from metakit.models.differing.again import Method, method_of
from metakit.models.of_counts.uncorrected import with_default_correction
from metakit.numerics.posteriors.half_normal_effects import half_normal_effects

Side = Literal["below", "open", "above"]

SPREAD = ("hartung_knapp", "half_normal")
"""Companions that treat the spread in another way."""
FEW_STUDIES = 4
WIDER = "twice_the_spread"
"""The companion that counts with few studies only."""
EMPTY_ARMS = ("conditional_likelihood", "normal_likelihood")
"""Companions that treat empty arms in another way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flip:
    """One event more (+1) or less (-1) in an arm of a study, after which the interval lies elsewhere."""

    study: str
    arm: int
    change: int
    estimate: float
    interval: Limits
    side: Side


@dataclass(frozen=True, slots=True, kw_only=True)
class Fragility:
    """What an answer hangs on.

    `tried` counts the changes of one event that were answered, `unanswered` those that have no answer;
    `flips` are the ones after which the interval lies on another side of no difference. The two `depends_on`
    are None where no other way stands beside the answer; `spread` and `empty_arms` name the companions that
    lie elsewhere. `reason` says why single events were not tried.
    """

    side: Side | None
    tried: int
    unanswered: int
    flips: tuple[Flip, ...]
    lowest: float | None
    highest: float | None
    spread: tuple[str, ...]
    empty_arms: tuple[str, ...]
    depends_on_spread: bool | None
    depends_on_empty_arms: bool | None
    reason: str = ""

    @property
    def hangs_on_one_event(self) -> bool | None:
        """Whether one event decides where the interval lies; None where that was not tried."""
        return None if self.reason else bool(self.flips)

    def to_json(self) -> dict[str, Any]:
        """Return the facts as JSON, estimates on the analysis scale."""
        return {
            "side": self.side,
            "hangs_on_one_event": self.hangs_on_one_event,
            "depends_on_spread": self.depends_on_spread,
            "depends_on_empty_arms": self.depends_on_empty_arms,
            "one_event": {
                "tried": self.tried,
                "unanswered": self.unanswered,
                "lowest": self.lowest,
                "highest": self.highest,
                "flips": [
                    {
                        "study": flip.study,
                        "arm": flip.arm,
                        "change": flip.change,
                        "estimate": flip.estimate,
                        "interval": list(flip.interval),
                        "side": flip.side,
                    }
                    for flip in self.flips
                ],
                "reason": self.reason or None,
            },
            "spread": list(self.spread),
            "empty_arms": list(self.empty_arms),
        }


def fragility(table: EffectTable, result: PoolResult) -> Fragility:
    """Say what a comparative answer hangs on.

    Parameters
    ----------
    table : EffectTable
        What was pooled, with its raw columns.
    result : PoolResult
        The answer, whose method every other answer inherits.

    Examples
    --------
    >>> from metakit.measures.tables import effect_sizes
    >>> from metakit.models.pool import pool
    >>> rows = {
    ...     "study": ["A", "B", "C"], "events_1": [9, 7, 8], "total_1": [90, 80, 85],
    ...     "events_2": [20, 18, 17], "total_2": [88, 82, 90],
    ... }
    >>> effects = effect_sizes(rows, measure="risk_ratio")
    >>> found = fragility(effects, pool(effects, model="common_effect"))
    >>> found.side, found.tried, found.hangs_on_one_event
    ('below', 12, False)
    """
    null = MEASURES[table.measure].null_value
    side = _side(result.interval, null)
    elsewhere = [item for item in result.beside if item.interval and _side(item.interval, null) != side]
    few = result.k <= FEW_STUDIES
    spread = _named(result.beside, (*SPREAD, *((WIDER,) if few else ())))
    empty = _named(result.beside, EMPTY_ARMS)
    fact = Fragility(
        side=side,
        tried=0,
        unanswered=0,
        flips=(),
        lowest=None,
        highest=None,
        spread=tuple(item.name for item in spread if item in elsewhere),
        empty_arms=tuple(item.name for item in empty if item in elsewhere),
        depends_on_spread=any(item in elsewhere for item in spread) if spread else None,
        depends_on_empty_arms=any(item in elsewhere for item in empty) if empty else None,
    )
    reason = _not_tried(table, result)
    if reason:
        return replace(fact, reason=reason)
    changes = list(_changes(table))
    answers = _answers(table, result, changes)
    found = [(change, answer) for change, answer in zip(changes, answers, strict=True) if answer is not None]
    estimates = [answer[0] for _, answer in found if np.isfinite(answer[0])]
    flips = tuple(
        Flip(
            study=table.study[change.row],
            arm=change.arm,
            change=change.by,
            estimate=estimate,
            interval=limits,
            side=there,
        )
        for change, (estimate, limits) in found
        if (there := _side(limits, null)) is not None and there != side
    )
    return replace(
        fact,
        tried=len(found),
        unanswered=len(changes) - len(found),
        flips=flips,
        lowest=min(estimates, default=None),
        highest=max(estimates, default=None),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    row: int
    arm: int
    by: int


def _named(beside: Iterable[Companion], names: tuple[str, ...]) -> list[Companion]:
    return [item for item in beside if item.name in names and item.interval is not None and not item.reason]


def _side(interval: Limits, null: float | None) -> Side | None:
    if null is None:
        return None
    return "below" if interval.upper < null else "above" if interval.lower > null else "open"


def _not_tried(table: EffectTable, result: PoolResult) -> str:
    measure = MEASURES[table.measure]
    if measure.arms != 2 or not {"events_1", "events_2"} <= set(table.data):
        return "these effects are not made of events in two arms"
    if result.k < 2:
        return "one study answers by its own interval"
    if result.model == "one_stage":
        return "the one-stage model is fitted anew for every change, which was not done"
    return ""


def _changes(table: EffectTable) -> Iterator[_Change]:
    """Yield one event less where there is one, and one more where there is a person without."""
    for row in range(len(table.study)):
        for arm in (1, 2):
            events = float(table.data[f"events_{arm}"][row])
            total = float(table.data[f"total_{arm}"][row]) if f"total_{arm}" in table.data else np.inf
            if events >= 1:
                yield _Change(row=row, arm=arm, by=-1)
            if events + 1 <= total:
                yield _Change(row=row, arm=arm, by=1)


Answered = tuple[float, Limits] | None


def _answers(table: EffectTable, result: PoolResult, changes: list[_Change]) -> list[Answered]:
    """Answer every change by the method of the result: together where its effects are normal."""
    method = method_of(result)
    if result.likelihood == "normal":
        table = with_default_correction(table)
        if isinstance(result, HalfNormalResult) and not result.limit_only:
            scale = result.prior_scale
            y, v, here = _batch(table, changes)
            found = half_normal_effects(y, v, here, scale=scale, level=method.level, spread=False)
            return _told(found.median, found.lower, found.upper, np.asarray(here.any(axis=1)))
    if result.model == "random_effects":
        y, v, here = _batch(table, changes)
        enough = here.sum(axis=1) > 1
        pooled = random_effects_batch(
            y,
            v,
            here,
            tau2=method.tau2 or "reml",
            interval=method.interval or result.mean.method,
            prediction=None,
            level=method.level,
        )
        settled = np.asarray(enough & pooled.tau2.converged & pooled.mean.converged)
        return _told(pooled.mean.estimate, pooled.mean.lower, pooled.mean.upper, settled)
    return [_one(changed(table, change.row, change.arm, change.by), method) for change in changes]


def _batch(table: EffectTable, changes: list[_Change]) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return effects, variances and who is present for every change, shape (changes, studies)."""
    measure = MEASURES[table.measure]
    shape = (len(changes), len(table))
    columns = {name: np.broadcast_to(table.data[name], shape).copy() for name in measure.columns}
    for number, change in enumerate(changes):
        columns[f"events_{change.arm}"][number, change.row] += change.by
    found = measure.kernel(columns, scale=measure.scale(table.scale).name, zero_cells=table.zero_cells)
    here = found.estimable
    return np.where(here, found.effect, 0.0), np.where(here, found.variance, 1.0), here


def changed(table: EffectTable, row: int, arm: int, by: int) -> EffectTable:
    """Return a table with some events more (or less) in one arm of one study, all else as it is."""
    measure = MEASURES[table.measure]
    events = np.array(table.data[f"events_{arm}"], dtype=float)
    events[row] += by
    data = {**table.data, f"events_{arm}": events}
    found = measure.kernel(data, scale=measure.scale(table.scale).name, zero_cells=table.zero_cells)
    return replace(table, data=data, effect=found.effect, variance=found.variance, estimable=found.estimable)


def _told(estimate: FloatArray, lower: FloatArray, upper: FloatArray, settled: BoolArray) -> list[Answered]:
    return [
        (float(middle), Limits(float(low), float(high))) if ok else None
        for middle, low, high, ok in zip(estimate, lower, upper, settled, strict=True)
    ]


def _one(table: EffectTable, method: Method) -> Answered:
    try:
        found = method.pool(table)
    except MetakitError:
        return None  # it is counted as a change without an answer
    return found.estimate, found.interval
