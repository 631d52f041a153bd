"""What a unit's numbers rest on: studies, certainty, what is extrapolated, how many thumbs are missing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.plans import Protocol
from metakit.core.written import count, listed, per_100
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import Certainty, Level, Status
from metakit.decision.information import size_for_means, size_for_rates, size_for_risks, thumbs_of, typical_sd
from metakit.decision.one_unit.expected import rate_for_risk
from metakit.decision.one_unit.unit import Unit
from metakit.decision.one_unit.unit_cells import Cell
from metakit.decision.thresholds import Thresholds
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.windows import LAST, time_of, window

SERIES = "single-arm series: it compares nothing and cannot show that a technique is better or worse"
MONTHS = 12.0
STATUS: dict[Status, str] = {"unsigned": "nobody has signed this", "signed": "judged and signed"}
LONGER = 1.25
"""Followed this much longer than the studies were, on average, is called extrapolated (ours, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingThumbs:
    """How much evidence would be enough to show the smallest important difference at the unit's baseline.

    `more` is what is missing; `unit` thumbs or thumb-years; `inputs` shows what it was computed from.
    `why_not` says why there is no number.
    """

    needed: float | None = None
    present: float | None = None
    unit: str = ""
    inputs: str = ""
    why_not: str = ""

    @property
    def more(self) -> float | None:
        """What is missing; 0 when there is enough."""
        if self.needed is None or self.present is None:
            return None
        return max(self.needed - self.present, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CellEvidence:
    """What one technique's number for one outcome rests on. `flags` say what it cannot bear.

    `level` is the certainty that counts, None where nobody judges (single-arm series).
    """

    cell: Cell
    studies: str
    designs: str
    certainty: str
    signed: bool
    flags: tuple[str, ...]
    missing: MissingThumbs
    level: Level | None = None


def evidence(
    unit: Unit, cells: Sequence[Cell], certainties: Mapping[str, Certainty], protocol: Protocol
) -> tuple[CellEvidence, ...]:
    """Return the evidence behind every answered cell that rests on an analysis of the review.

    Parameters
    ----------
    unit : Unit
    cells : sequence of Cell
    certainties : mapping
        Of the review's answered comparisons, by analysis.
    protocol : Protocol
        Of the review, whole.
    """
    planned = {
        cell.outcome.term.id: float(np.mean(cell.per_thumb(cell.draws, unit.years.value)))
        for cell in cells
        if cell.is_current
    }
    return tuple(
        _evidence(
            unit, cell, cell.finding, certainties.get(cell.finding.plan.id), protocol,
            planned[cell.outcome.term.id],
        )
        for cell in cells
        if cell.answered and cell.finding is not None
    )  # fmt: skip


def certainty_words(judged: Certainty) -> str:
    """Say level and signature: `very low; nobody has signed this`."""
    return f"{judged.level_words}; {STATUS.get(judged.status, judged.status_words)}"


def _evidence(
    unit: Unit,
    cell: Cell,
    finding: AnalysisFinding,
    judged: Certainty | None,
    protocol: Protocol,
    planned: float,
) -> CellEvidence:
    studies, used = len(finding.numbers), finding.result.k if finding.result else 0
    within = "" if used == studies else f" ({used} in the model)"
    groups: dict[str, int] = {}
    for study in finding.numbers:
        group = study.study.design_group
        groups[group] = groups.get(group, 0) + 1
    thumbs = sum(map(thumbs_of, finding.numbers))
    words = {"randomised": "randomised", "comparative": "not randomised", "series": "series"}
    return CellEvidence(
        cell=cell,
        studies=f"{count(studies, 'study', 'studies')}{within}, {thumbs:.0f} thumbs",
        designs=listed([f"{number} {words.get(group, group)}" for group, number in groups.items()]),
        certainty="not judged" if judged is None else certainty_words(judged),
        signed=judged is not None and judged.final,
        flags=tuple(_flags(unit, cell, finding, judged)),
        missing=_missing(unit, cell, finding, protocol, planned),
        level=None if judged is None else judged.level,
    )


def _flags(unit: Unit, cell: Cell, finding: AnalysisFinding, judged: Certainty | None) -> list[str]:
    flags: list[str] = []
    link, base = cell.link, cell.outcome.baseline
    if link is None:  # pragma: no cover - cells with a finding have a link
        return flags
    if link.series:
        flags.append(SERIES)
    elif all(study.study.design_group != "randomised" for study in finding.numbers):
        flags.append("no randomised trial among the studies")
    if finding.result is not None and finding.result.k == 1:
        flags.append("a single study")
    if judged is not None and not judged.final:
        unsigned = judged.status == "unsigned"
        flags.append(STATUS["unsigned"] if unsigned else f"certainty {judged.status_words}")
    flags += [f"extrapolated: {text}" for text in link.wider]
    if link.backwards:
        flags.append("the review compares the other way round; its effect was turned")
    if cell.centre is not None and not cell.centre.predicted:
        flags.append(cell.centre.note)
    flags += _time_flags(unit, cell, finding)
    if base is not None and base.kind != "unit_audit" and not link.series:
        flags.append("the baseline is not the unit's own")
    return flags


def stretched_from(unit: Unit, cell: Cell) -> float | None:
    """Return how many years the studies followed on average; None where the unit asks for hardly more."""
    if not cell.per_year or cell.finding is None:
        return None
    months = [
        time
        for study in cell.finding.numbers
        for side in study.sides
        for part in side.arms
        if (time := time_of(part.value, part.arm.follow_up)) is not None
    ]
    mean = sum(months) / len(months) / MONTHS if months else None
    return mean if mean is not None and unit.years.value > LONGER * mean else None


def _time_flags(unit: Unit, cell: Cell, finding: AnalysisFinding) -> list[str]:
    mean = stretched_from(unit, cell)
    if mean is not None:
        return [
            f"extrapolated in time: thumbs are followed {unit.years.value:g} years here, "
            f"{mean:.1f} on average in the studies"
        ]
    asked, own = finding.outcome_plan.window, cell.outcome.months
    if not cell.per_year and own is not None and asked != LAST and not window(asked).holds(own):
        return [
            f"the baseline is that of {own:g} months, the studies' that of {window(asked).label}: a ratio "
            "may not carry over"
        ]
    return []


def _missing(
    unit: Unit, cell: Cell, finding: AnalysisFinding, protocol: Protocol, risk: float
) -> MissingThumbs:
    """Return how much is missing at the risk of a thumb that the page plans with: the mean of its draws."""
    if cell.link is not None and cell.link.series:
        return MissingThumbs(why_not="more single-arm series would not settle a comparison")
    if Thresholds.of(finding.outcome_plan, "") is None:
        return MissingThumbs(why_not="the review's protocol names no smallest important difference")
    smallest = finding.outcome_plan.smallest_important_difference or 0.0
    if cell.outcome.scored:
        sd = typical_sd(finding.numbers)
        if not sd:
            return MissingThumbs(why_not="the studies give no standard deviation")
        return MissingThumbs(
            needed=size_for_means(smallest, sd),
            present=sum(map(thumbs_of, finding.numbers)),
            unit="thumbs",
            inputs=f"a difference of {smallest:g} {cell.outcome.term.unit}, standard deviation {sd:.3g}",
        )
    years = unit.years.value
    other = risk - smallest / 100 if risk > smallest / 100 else risk + smallest / 100
    if not 0 < other < 1:
        return MissingThumbs(why_not="the smallest important difference is larger than the baseline allows")
    inputs = f"{per_100(100 * risk)} against {per_100(100 * other)} of 100 thumbs"
    if cell.per_year:
        return MissingThumbs(
            needed=size_for_rates(*(float(rate_for_risk(part, years)) for part in (risk, other))),
            present=_years(finding),
            unit="thumb-years",
            inputs=f"{inputs} within {years:g} years",
        )
    body = body_of(finding, protocol)
    totals = [side.effective.get("total") for study in finding.numbers for side in study.sides]
    # Effects that reports give ready (hazard ratios) come without totals; then the arms' thumbs count.
    known = [total for total in totals if total is not None]
    present = sum(known) if len(known) == len(totals) else sum(map(thumbs_of, finding.numbers))
    unit_words = body.information.unit if body is not None and body.information else "thumbs"
    return MissingThumbs(needed=size_for_risks(risk, other), present=present, unit=unit_words, inputs=inputs)


def _years(finding: AnalysisFinding) -> float:
    years = [side.numbers.get("time", math.nan) for study in finding.numbers for side in study.sides]
    return sum(value for value in years if math.isfinite(value))
