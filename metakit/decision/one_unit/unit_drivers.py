"""What drives a unit's answer, and what would have to be true for another technique to come out ahead.

One input is moved at a time between its stated limits while all others stay at their estimates; nothing here
is simulated. The quantity is the difference of a technique to the current one for one year's thumbs: the
weighted sum of all outcomes where the unit typed weights, else the events of the first outcome that has an
answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from metakit.decision.one_unit.unit import Unit, UnitOutcome, UnitTechnique
from metakit.decision.one_unit.unit_cells import Cell, baseline_value
from metakit.decision.one_unit.unit_driver_words import plain, shown_baseline, shown_effect, together
from metakit.measures.absolute import effect_needed
from metakit.measures.registry import MEASURES

HALF_TO_DOUBLE = 2.0
_GRID = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One input: its limits in words, where they come from, and the difference at either."""

    name: str
    low: str
    high: str
    basis: str
    at_low: float
    at_high: float

    @property
    def limits(self) -> str:
        """Both limits, with the words that they share said once."""
        return together(self.low, self.high)

    @property
    def reach(self) -> float:
        """How far the answer moves."""
        return abs(self.at_high - self.at_low)

    @property
    def turns(self) -> bool:
        """Whether the better technique is another one at the two ends."""
        return self.at_low * self.at_high < 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """The value of one input at which a technique and the current one come out alike.

    `now` is the input as it stands, `value` that of the tie (None where no value makes one); `favours` says
    on which side of it the technique comes out better, `inside` whether the input's own limits reach it.
    """

    name: str
    now: str
    value: str | None
    favours: str = ""
    inside: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drivers:
    """Drivers and ties of one technique. Below 0, `difference` (at the estimates) is in its favour."""

    technique: UnitTechnique
    quantity: str
    weighted: bool
    difference: float
    bars: tuple[Bar, ...]
    ties: tuple[Tie, ...]
    missing: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class _Inputs:
    """The inputs of the difference; what is None in a mapping stays at its estimate."""

    volume: float
    years: float
    baselines: dict[str, float] = field(default_factory=dict)
    effects: dict[str, float] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """A technique's difference to the current one as a function of its inputs."""

    unit: Unit
    pairs: tuple[tuple[Cell, Cell], ...]
    weighted: bool

    def inputs(self) -> _Inputs:
        return _Inputs(volume=self.unit.volume.value, years=self.unit.years.value)

    def part(self, own: Cell, current: Cell, inputs: _Inputs) -> float:
        """Return what one outcome adds, per thumb and before its weight; more is worse."""
        name = own.outcome.term.id
        base = inputs.baselines.get(name)
        value = own.at(inputs.effects.get(name), base)
        then = own.per_thumb(value, inputs.years) - current.per_thumb(current.at(None, base), inputs.years)
        return own.outcome.worse * float(then)

    def weight(self, outcome: UnitOutcome, inputs: _Inputs) -> float:
        if not self.weighted or outcome.weight is None:
            return 1.0
        return inputs.weights.get(outcome.term.id, outcome.weight.value)

    def value(self, inputs: _Inputs) -> float:
        return inputs.volume * math.fsum(
            self.weight(own.outcome, inputs) * self.part(own, current, inputs) for own, current in self.pairs
        )


def drivers(unit: Unit, cells: Sequence[Cell]) -> tuple[Drivers, ...]:
    """Return drivers and ties of every technique that studies hold against the current one.

    Single-arm series compare nothing: no "ahead if" is computed from them.
    """
    found = []
    for technique in unit.others:
        question, missing = _question(unit, cells, technique)
        if question is None:
            continue
        inputs = question.inputs()
        bars = sorted(_bars(question), key=lambda bar: -bar.reach)
        first = question.pairs[0][0].outcome
        found.append(
            Drivers(
                technique=technique,
                quantity="weighted sum of outcomes" if question.weighted else first.term.label,
                weighted=question.weighted,
                difference=question.value(inputs),
                bars=tuple(bars),
                ties=tuple(_ties(question)),
                missing=missing,
            )
        )
    return tuple(found)


def _question(
    unit: Unit, cells: Sequence[Cell], technique: UnitTechnique
) -> tuple[_Question | None, tuple[str, ...]]:
    by_place = {(cell.technique.id, cell.outcome.term.id): cell for cell in cells}
    own = [by_place[technique.id, item.term.id] for item in unit.outcomes]
    weighted = [cell for cell in own if cell.outcome.weight is not None and cell.outcome.weight.value > 0]
    missing = tuple(cell.outcome.term.label for cell in weighted if not cell.compares)
    use_weights = len(weighted) >= 2 and not missing
    chosen = weighted if use_weights else [cell for cell in own if cell.compares][:1]
    if not chosen:
        return None, missing
    pairs = tuple((cell, by_place[unit.current, cell.outcome.term.id]) for cell in chosen)
    return _Question(unit=unit, pairs=pairs, weighted=use_weights), missing


def _bars(question: _Question) -> list[Bar]:
    unit, bars = question.unit, []
    volume, years = unit.volume.limits, unit.years.limits

    def bar(name: str, basis: str, ends: tuple[float, float], put: Callable[[_Inputs, float], None],
            show: Callable[[float], str]) -> None:  # fmt: skip
        at = []
        for end in ends:
            inputs = question.inputs()
            put(inputs, end)
            at.append(question.value(inputs))
        if all(map(math.isfinite, at)):
            bars.append(
                Bar(
                    name=name, low=show(ends[0]), high=show(ends[1]), basis=basis, at_low=at[0], at_high=at[1]
                )
            )

    if volume:
        bar("Thumbs a year", "limits typed by the unit", volume, lambda i, v: setattr(i, "volume", v), plain)
    if years and any(own.per_year for own, _ in question.pairs):
        bar("Years followed", "limits typed by the unit", years, lambda i, v: setattr(i, "years", v), plain)
    for own, _ in question.pairs:
        name, label, base = own.outcome.term.id, own.outcome.term.label, own.outcome.baseline
        if base is not None:
            bar(
                f"{label}: baseline", f"{100 * base.level:g} % interval of the counts",
                (base.lower, base.upper), lambda i, v, n=name: i.baselines.__setitem__(n, v),  # type: ignore[misc]
                lambda v, c=own: shown_baseline(c, v),  # type: ignore[misc]
            )  # fmt: skip
        limits = own.effect_limits()
        if limits is not None and own.centre is not None:
            basis = "prediction interval" if own.centre.predicted else "interval widened for a new centre"
            ends = (limits.lower, limits.upper)
            if own.link is not None and own.link.backwards:
                ends = ends[::-1]
            bar(
                f"{label}: effect in a new centre", basis, ends,
                lambda i, v, n=name: i.effects.__setitem__(n, v),  # type: ignore[misc]
                lambda v, c=own: shown_effect(c, v),  # type: ignore[misc]
            )  # fmt: skip
        weight = own.outcome.weight
        if question.weighted and weight is not None:
            typed = weight.limits
            ends = typed or (weight.value / HALF_TO_DOUBLE, weight.value * HALF_TO_DOUBLE)
            basis = "limits typed by the unit" if typed else "half to double, since no limits were typed"
            bar(
                f"{label}: weight", basis, ends,
                lambda i, v, n=name: i.weights.__setitem__(n, v), plain,  # type: ignore[misc]
            )  # fmt: skip
    return bars


def _ties(question: _Question) -> list[Tie]:
    found = []
    for own, current in question.pairs:
        found.append(_effect_tie(question, own, current))
        if own.outcome.baseline is not None and question.weighted:
            found.append(_baseline_tie(question, own))
        if question.weighted:
            found.append(_weight_tie(question, own, current))
    return found


def _others(question: _Question, own: Cell, current: Cell) -> float:
    """Return what all other outcomes add, per thumb."""
    inputs = question.inputs()
    whole = question.value(inputs) / inputs.volume
    return whole - question.weight(own.outcome, inputs) * question.part(own, current, inputs)


def _effect_tie(question: _Question, own: Cell, current: Cell) -> Tie:
    """Solve for the effect in closed form: the risk that makes the sum zero, and the effect that gives it."""
    inputs = question.inputs()
    name = f"{own.outcome.term.label}: effect"
    now = shown_effect(own, own.centre.estimate if own.centre else 0.0)
    needed = -_others(question, own, current) / question.weight(
        own.outcome, inputs
    )  # per thumb, worse is more
    limits = own.effect_limits()
    base = baseline_value(own.outcome)
    effect = _effect_for(own, own.outcome.worse * needed, base, inputs.years)
    if effect is None:
        return Tie(name=name, now=now, value=None)
    return Tie(
        name=name,
        now=now,
        value=shown_effect(own, effect),
        favours="above it" if own.outcome.worse < 0 else "below it",
        inside=None if limits is None else limits[0] <= effect <= limits[1],
    )


def _effect_for(own: Cell, change: float, base: float, years: float) -> float | None:
    """Return the effect on the analysis scale (as the review states it) that changes one thumb's risk so."""
    if own.link is None:
        return None
    measure = MEASURES[own.link.plan.measure]
    sign = -1.0 if own.link.backwards else 1.0
    if own.outcome.scored:
        return sign * change
    risk = float(own.per_thumb(base, years)) + change
    if not 0 < risk < 1:
        return None
    target = -math.log1p(-risk) / years if own.per_year else risk
    kind = "rate_ratio" if own.per_year else measure.name
    natural = float(effect_needed(kind, target - base, base))
    if measure.scale(own.link.plan.scale).axis != "log":
        return sign * natural
    return sign * math.log(natural) if 0 < natural < math.inf else None


def _baseline_tie(question: _Question, own: Cell) -> Tie:
    """Search the whole range of baselines for a change of sign, the nearest one to the unit's own."""
    from scipy.optimize import brentq

    name, outcome = f"{own.outcome.term.label}: baseline", own.outcome
    base = baseline_value(outcome)

    def at(value: float) -> float:
        inputs = question.inputs()
        inputs.baselines[outcome.term.id] = value
        return question.value(inputs)

    top = 5.0 if own.per_year else 0.999
    grid = np.geomspace(1e-5, top, _GRID)
    values = np.array([at(value) for value in grid])
    turns = [
        float(brentq(at, grid[i], grid[i + 1], xtol=1e-12))
        for i in np.flatnonzero(np.diff(np.sign(values)) != 0)
        if values[i] != 0
    ]
    now = shown_baseline(own, base)
    if not turns:
        return Tie(name=name, now=now, value=None)
    nearest = min(turns, key=lambda value: abs(math.log(value / base)))
    limits = (outcome.baseline.lower, outcome.baseline.upper) if outcome.baseline else (0.0, 0.0)
    return Tie(
        name=name,
        now=now,
        value=shown_baseline(own, nearest),
        favours="above it" if at(nearest * 1.001) < 0 else "below it",
        inside=limits[0] <= nearest <= limits[1],
    )


def _weight_tie(question: _Question, own: Cell, current: Cell) -> Tie:
    inputs = question.inputs()
    name, weight = f"{own.outcome.term.label}: weight", own.outcome.weight
    part, others = question.part(own, current, inputs), _others(question, own, current)
    now = plain(weight.value) if weight else ""
    tie = -others / part if part else -1.0
    if tie <= 0 or weight is None:
        return Tie(name=name, now=now, value=None)
    limits = weight.limits or (weight.value / HALF_TO_DOUBLE, weight.value * HALF_TO_DOUBLE)
    return Tie(
        name=name,
        now=now,
        value=plain(tie),
        favours="above it" if part < 0 else "below it",
        inside=limits[0] <= tie <= limits[1],
    )
