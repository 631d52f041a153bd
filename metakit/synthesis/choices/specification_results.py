"""What a specification curve answers: one row for every reasonable way to have done the same analysis.

All answers are brought to one unit, so that a risk ratio, an odds ratio and a risk difference can be laid
side by side: the difference per 100 thumbs (or thumb-years) at the headline's baseline, or points of a scale.

Source: Simonsohn, Simmons & Nelson 2020; for meta-analyses Voracek, Kossmeier & Tran 2019.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from metakit.core.limits import Limits

Conclusion = Literal["below", "above", "open"]
Standing = Literal["planned", "exploratory"]

NOT_APPLICABLE = "not_applicable"
"""Option of a choice that a specification does not have: a model of one common effect has no tau2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationOption:
    """One option of a choice; `headline` marks the option of the planned analysis itself."""

    name: str
    label: str
    headline: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationChoice:
    """One choice that an analyst makes, with the options that were tried.

    `name` is one of measure, model, tau2, interval, zero_cells, appraisal, design, icc, window.
    """

    name: str
    label: str
    options: tuple[SpecificationOption, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationRow:
    """The answer under one combination of options.

    `choices` maps every choice to the name of its option. `estimate` and `interval` are differences in the
    curve's `unit` (None where the fit was refused; `reason` then says why). `conclusion` says where the
    interval lies: all `below` no difference, all `above`, or `open`. `holds` says whether that is the
    headline's conclusion. `headline` marks the planned analysis itself.
    """

    number: int
    choices: Mapping[str, str]
    standing: Standing
    k: int
    estimate: float | None = None
    interval: Limits | None = None
    conclusion: Conclusion | None = None
    holds: bool | None = None
    headline: bool = False
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionEffect:
    """What one option does to the conclusion: the answered rows with it, the fraction in which it holds."""

    choice: str
    option: str
    label: str
    rows: int
    fraction: float
    median: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationCurve:
    """Every specification of one analysis, in the order of the grid (a figure sorts by `estimate`).

    unit : "per 100 thumbs", "per 100 thumb-years", or points of a scale.
    smallest_important_difference : in that unit, None where the protocol has none.
    baseline : per 100, at which ratios became differences; None for points.
    conclusion : the headline's. below, above : its two sides in words ("fewer complications after LRTI").
    planned : False when the list of choices is the default rather than the protocol's.
    asked : number of combinations declared; more than the rows when the list was capped (`notes` say so).
    reason : why there is no curve; no rows then.
    """

    analysis: str
    title: str
    unit: str
    choices: tuple[SpecificationChoice, ...] = ()
    rows: tuple[SpecificationRow, ...] = ()
    conclusion: Conclusion | None = None
    below: str = ""
    above: str = ""
    smallest_important_difference: float | None = None
    baseline: float | None = None
    planned: bool = False
    asked: int = 0
    level: float = 0.95
    effects: tuple[OptionEffect, ...] = ()
    notes: tuple[str, ...] = ()
    reason: str = ""

    @property
    def answered(self) -> tuple[SpecificationRow, ...]:
        """Rows with an estimate."""
        return tuple(row for row in self.rows if row.estimate is not None)

    @property
    def refused(self) -> tuple[SpecificationRow, ...]:
        """Rows whose fit was refused, with their reasons."""
        return tuple(row for row in self.rows if row.estimate is None)

    @property
    def headline(self) -> SpecificationRow | None:
        """The planned analysis itself."""
        return next((row for row in self.rows if row.headline), None)

    @property
    def fraction(self) -> float | None:
        """Fraction of the answered specifications in which the headline's conclusion holds."""
        answered = self.answered
        return sum(bool(row.holds) for row in answered) / len(answered) if answered else None

    def to_json(self) -> dict[str, Any]:
        """Return the curve as JSON."""

        def limits(row: SpecificationRow) -> list[float | None] | None:
            return [_known(limit) for limit in row.interval] if row.interval else None

        return {
            "unit": self.unit,
            "level": self.level,
            "planned": self.planned,
            "conclusion": self.conclusion,
            "directions": {"below": self.below, "above": self.above},
            "smallest_important_difference": self.smallest_important_difference,
            "baseline": self.baseline,
            "specifications_asked": self.asked,
            "answered": len(self.answered),
            "refused": len(self.refused),
            "fraction_holding": self.fraction,
            "choices": [
                {
                    "name": choice.name,
                    "label": choice.label,
                    "options": [
                        {"name": option.name, "label": option.label, "headline": option.headline}
                        for option in choice.options
                    ],
                }
                for choice in self.choices
            ],
            "effects": [
                {
                    "choice": effect.choice,
                    "option": effect.option,
                    "rows": effect.rows,
                    "fraction_holding": effect.fraction,
                    "median_difference": _known(effect.median),
                }
                for effect in self.effects
            ],
            "rows": [
                {
                    "choices": dict(row.choices),
                    "standing": row.standing,
                    "headline": row.headline,
                    "k": row.k,
                    "difference": _known(row.estimate),
                    "interval": limits(row),
                    "conclusion": row.conclusion,
                    "holds": row.holds,
                    "reason": row.reason or None,
                }
                for row in self.rows
            ],
            "notes": list(self.notes),
            "reason": self.reason or None,
        }


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
