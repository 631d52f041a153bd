"""A unit as it was typed: volume, techniques, baselines as counts, weights, stated scenarios."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from metakit.core.values import Place
from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.forms.tree import Group
from metakit.synthesis.baseline import Baseline, BaselineKind, baseline_from_counts
from metakit.synthesis.terms import OutcomeTerm, outcome_term

FORM = "unit"
SEED = 20260101
"""Start of the random numbers of a unit that states none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limited:
    """A typed number with the limits between which it may lie, None where nobody typed them."""

    value: float
    lowest: float | None = None
    highest: float | None = None

    @property
    def limits(self) -> tuple[float, float] | None:
        """Both limits, the value itself standing in for one that is missing; None without any."""
        if self.lowest is None and self.highest is None:
            return None
        low = self.value if self.lowest is None else self.lowest
        return low, self.value if self.highest is None else self.highest


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTechnique:
    """One technique that the unit uses or thinks about; `technique` is its term in the vocabulary."""

    id: str
    technique: str
    label: str
    mp_option: str = ""
    theatre_minutes: float | None = None
    cost: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitEffect:
    """Which analysis says what a technique would change; `typed` knows where that was written."""

    technique: str
    analysis: str
    typed: Group


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitOutcome:
    """One outcome. `baseline` is None for scores; `months` says how long its thumbs were looked at."""

    term: OutcomeTerm
    weight: Limited | None
    baseline: Baseline | None
    months: float | None
    theatre_minutes: float | None
    cost: float | None
    effects: tuple[UnitEffect, ...]

    @property
    def scored(self) -> bool:
        """Whether it is a score rather than an event."""
        return self.baseline is None

    @property
    def worse(self) -> float:
        """1 where more is worse, -1 where more is better."""
        return -1.0 if self.term.better == "higher" else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioEffect:
    """A ratio of rates typed by the unit, for one technique, or for all where `technique` is empty."""

    outcome: str
    technique: str
    rate_ratio: Limited
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A part of the unit's thumbs (a fraction) that is stated to fare differently."""

    id: str
    label: str
    kind: str
    share: float
    share_instead: float | None
    effects: tuple[ScenarioEffect, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnReturns:
    """Thumbs of the unit that came back for one cause, over thumb-years."""

    cause: str
    thumbs: int
    thumb_years: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A checked unit file."""

    name: str
    date: str
    invented: bool
    note: str
    volume: Limited
    years: Limited
    years_operating: int
    techniques: tuple[UnitTechnique, ...]
    current: str
    currency: str
    outcomes: tuple[UnitOutcome, ...]
    case_mix: tuple[Scenario, ...]
    seed: int
    questions: tuple[Problem, ...]
    place: Place
    sha256: str
    returns: tuple[OwnReturns, ...] = ()

    def technique(self, name: str) -> UnitTechnique:
        """Return the technique with this id."""
        return next(item for item in self.techniques if item.id == name)

    @property
    def others(self) -> tuple[UnitTechnique, ...]:
        """Techniques other than the current one, in the order typed."""
        return tuple(item for item in self.techniques if item.id != self.current)


def read_unit(path: Path) -> Unit:
    """Read and check a unit file.

    Parameters
    ----------
    path : Path
        A YAML file of the form `unit`.

    Raises
    ------
    UnreadableError
        When the file cannot be read.
    DataError
        When it holds errors; both carry all problems with line and column.
    """
    library = shipped()
    reading = read_record(path, library, form=library.form(FORM))
    group = reading.group
    if group is None or not reading.sound:
        raise (UnreadableError if reading.unreadable else DataError)(reading.problems)
    years = _limited(group.group("time"), "years_followed")
    unit = group.group("unit")
    return Unit(
        name=unit.text("name"),
        date=unit.text("date"),
        invented=bool(unit.flag("invented")),
        note=group.text("note") or unit.text("note"),
        volume=_limited(group.group("volume"), "thumbs_a_year"),
        years=years,
        years_operating=group.integer("time.years_operating") or math.ceil(years.value),
        techniques=tuple(_technique(item) for item in group.groups("techniques")),
        current=group.text("current_technique"),
        currency=group.text("currency"),
        outcomes=tuple(_outcome(item) for item in group.groups("outcomes")),
        case_mix=tuple(_scenario(item) for item in group.groups("case_mix")),
        seed=SEED if group.integer("seed") is None else cast("int", group.integer("seed")),
        questions=tuple(problem for problem in reading.problems if problem.severity != "error"),
        place=group.place,
        sha256=reading.sha256,
        returns=tuple(
            OwnReturns(
                cause=item.text("cause"),
                thumbs=item.integer("thumbs") or 0,
                thumb_years=_required(item, "thumb_years"),
            )
            for item in group.groups("returns_by_cause")
        ),
    )


def _required(group: Group, name: str) -> float:
    value = group.number(name)
    if value is None:  # pragma: no cover - the form requires it
        raise DataError([group.problem(name, "a number is missing", severity="error")])
    return value


def _limited(group: Group, name: str, lowest: str = "lowest", highest: str = "highest") -> Limited:
    return Limited(value=_required(group, name), lowest=group.number(lowest), highest=group.number(highest))


def _technique(item: Group) -> UnitTechnique:
    return UnitTechnique(
        id=item.text("id"),
        technique=item.text("technique"),
        label=item.text("label"),
        mp_option=item.text("mp_option"),
        theatre_minutes=item.number("theatre_minutes"),
        cost=item.number("cost"),
    )


def _outcome(item: Group) -> UnitOutcome:
    weighted = item.number("weight") is not None
    return UnitOutcome(
        term=outcome_term(item.text("outcome")),
        weight=_limited(item, "weight", "weight_lowest", "weight_highest") if weighted else None,
        baseline=_baseline(item.group("baseline")) if "baseline" in item.entries else None,
        months=item.number("baseline.months"),
        theatre_minutes=item.number("theatre_minutes"),
        cost=item.number("cost"),
        effects=tuple(
            UnitEffect(technique=effect.text("technique"), analysis=effect.text("analysis"), typed=effect)
            for effect in item.groups("effects")
        ),
    )


def _baseline(item: Group) -> Baseline:
    years = item.number("thumb_years")
    return baseline_from_counts(
        cast("BaselineKind", item.text("kind")),
        item.text("source"),
        _required(item, "events"),
        _required(item, "thumbs") if years is None else years,
        per_year=years is not None,
        source=item.text("source"),
    )


def _scenario(item: Group) -> Scenario:
    instead = item.number("share_instead")
    return Scenario(
        id=item.text("id"),
        label=item.text("label"),
        kind=item.text("kind"),
        share=_required(item, "share") / 100,
        share_instead=None if instead is None else instead / 100,
        effects=tuple(
            ScenarioEffect(
                outcome=effect.text("outcome"),
                technique=effect.text("technique"),
                rate_ratio=_limited(effect, "rate_ratio"),
                source=effect.text("source"),
            )
            for effect in item.groups("effects")
        ),
    )
