"""The table behind a forest plot: what was typed, what was analysed, and where it stands in the source."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from metakit.core.results import StudyRow
from metakit.core.written import fixed, ratio, shares
from metakit.measures.registry import MEASURES
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.rows import SideNumbers
from metakit.synthesis.gathering.windows import describe_times


@dataclass(frozen=True, slots=True, kw_only=True)
class NumbersSide:
    """One side of a study in the table."""

    label: str
    typed: str
    effective: str
    times: str
    source: str
    places: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumbersRow:
    """One study in the table."""

    study: str
    sides: tuple[NumbersSide, ...]
    effect: str
    weight: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NumbersTable:
    """The table; `has_effective` and `has_weights` say whether those columns are worth showing."""

    rows: tuple[NumbersRow, ...]
    typed_heading: str
    has_effective: bool
    has_weights: bool


HEADINGS = {
    "counts": "Events / total",
    "rates": "Events / thumb-years",
    "means": "Mean (SD), number",
    "hazards": "Events / total, where reported",
    "survival": "Survival (standard error), thumbs",
}


def numbers_table(finding: AnalysisFinding) -> NumbersTable:
    """Build the table of one analysis; shown weights add up to exactly 100."""
    measure = MEASURES[finding.plan.measure]
    rows = _model_rows(finding)
    weights = _weights(rows)
    kind = measure.kind.name
    return NumbersTable(
        rows=tuple(
            NumbersRow(
                study=study.name,
                sides=tuple(_side(side, kind) for side in study.sides),
                effect=_effect(finding, rows[i]),
                weight=weights[i],
            )
            for i, study in enumerate(finding.numbers)
        ),
        typed_heading=HEADINGS[kind],
        has_effective=any(study.has_effective_numbers for study in finding.numbers),
        has_weights=any(weights),
    )


def show_numbers(numbers: Mapping[str, float], kind: str) -> str:
    """Write the numbers of one side; a dash for what the report of a ready effect does not give."""

    def count(name: str) -> str:
        return _count(numbers[name]) if name in numbers else "–"

    if "survival" in numbers:
        survival, error = 100 * numbers["survival"], 100 * numbers["standard_error"]
        return f"{fixed(survival, 1)} % ({fixed(error, 1)}), {count('total')}"
    if kind == "means":
        mean, sd = (fixed(numbers[name], 1) if name in numbers else "–" for name in ("mean", "sd"))
        return f"{mean} ({sd}), {count('total')}"
    return f"{count('events')} / {count('time' if kind == 'rates' else 'total')}"


def _count(value: float) -> str:
    return f"{value:.0f}" if abs(value - round(value)) < 1e-9 else f"{value:.1f}"


def _side(side: SideNumbers, kind: str) -> NumbersSide:
    same = dict(side.numbers) == dict(side.effective)
    return NumbersSide(
        label=side.label,
        typed=show_numbers(side.numbers, kind),
        effective="" if same else show_numbers(side.effective, kind),
        times=describe_times(side.values),
        source=side.sources,
        places=side.places,
    )


def _model_rows(finding: AnalysisFinding) -> list[StudyRow | None]:
    return [found.row for found in finding.rows_shown] or [None] * len(finding.numbers)


def _weights(rows: list[StudyRow | None]) -> list[str]:
    known = [row.weight for row in rows if row is not None and row.weight is not None]
    if not known:
        return [""] * len(rows)
    shown = iter(shares(known))
    return [f"{next(shown)} %" if row is not None and row.weight is not None else "–" for row in rows]


def _effect(finding: AnalysisFinding, row: StudyRow | None) -> str:
    if row is None or row.interval is None:
        return "–"
    measure = MEASURES[finding.plan.measure]
    scale = measure.scale(finding.plan.scale)

    def say(end: float) -> str:
        if finding.result is None:
            natural = float(scale.to_natural(np.asarray(end)))
        else:
            natural = float(finding.result.back_transform(end))
        value = measure.natural_factor * natural
        return ratio(value) if scale.axis == "log" else fixed(value, 1 if measure.natural_factor > 1 else 2)

    low, high = row.interval
    if row.effect is None:
        return f"at most {say(high)}" if math.isfinite(high) else f"at least {say(low)}"
    return f"{say(row.effect)} ({say(low)} to {say(high)})"
