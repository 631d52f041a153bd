"""A unit as it was typed: volume, techniques, baselines as counts, weights, stated scenarios."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from metakit.core.values import Place
from metakit.errors import Problem
from metakit.forms.tree import Group
from metakit.synthesis.baseline import Baseline
from metakit.synthesis.terms import OutcomeTerm

AUDIT_YEARS = 5
"""Years that an audit is planned for where the unit states none: common practice of ours, no source."""
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
class Learning:
    """What the unit stated about its first operations with a technique; None where it typed nothing."""

    thumbs: int
    extra_minutes: float | None
    rate_ratio: float | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTechnique:
    """One technique that the unit uses or thinks about; `technique` is its term in the vocabulary.

    `cost` is that of one operation without its implants, whose price stands apart.
    """

    id: str
    technique: str
    label: str
    mp_option: str = ""
    theatre_minutes: float | None = None
    cost: float | None = None
    implant_price: float | None = None
    learning: Learning | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditYear:
    """One year of the unit's audit: events among thumbs, or over thumb-years (`total`)."""

    year: int
    events: float
    total: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitEffect:
    """Which analysis says what a technique would change; `typed` knows where that was written."""

    technique: str
    analysis: str
    typed: Group


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitOutcome:
    """One outcome. `baseline` is None for scores; `months` says how long its thumbs were looked at.

    `years` are the rows of the audit that the baseline adds up, `audits` those of other techniques by id.
    """

    term: OutcomeTerm
    weight: Limited | None
    baseline: Baseline | None
    months: float | None
    theatre_minutes: float | None
    cost: float | None
    effects: tuple[UnitEffect, ...]
    difference_to_tell: float | None = None
    years: tuple[AuditYear, ...] = ()
    audits: Mapping[str, tuple[AuditYear, ...]] = field(default_factory=dict)

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
    audit_years: int = AUDIT_YEARS

    def technique(self, name: str) -> UnitTechnique:
        """Return the technique with this id."""
        return next(item for item in self.techniques if item.id == name)

    @property
    def others(self) -> tuple[UnitTechnique, ...]:
        """Techniques other than the current one, in the order typed."""
        return tuple(item for item in self.techniques if item.id != self.current)
