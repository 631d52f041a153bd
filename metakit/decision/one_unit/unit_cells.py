"""One technique and one outcome of a unit: rate, risk or score difference, at the estimate and in draws."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.core.written import per_100
from metakit.decision.new_centre import NewCentre, new_centre
from metakit.decision.one_unit.expected import DRAWS, risk_within, stratified
from metakit.decision.one_unit.unit import Unit, UnitOutcome, UnitTechnique
from metakit.decision.one_unit.unit_links import Link
from metakit.errors import NotEstimableError
from metakit.measures.converting.carrying import Carrier, carrier_for
from metakit.measures.registry import MEASURES, Measure
from metakit.synthesis.absolute import baseline_of
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.networking.network_absolute import Seen

ZERO_BASELINE = (
    "The unit counted no event. Half an event is taken for the expected number (the mean of Jeffreys' "
    "distribution), and the range starts from that distribution, which ends below the exact limit of none."
)
LEAST_RISK, MOST_RISK = 1e-12, 1 - 1e-12
MOST_RATE = 1e6
"""Draws beyond these mean that everybody has the event at once; more would only overflow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What one technique does to one outcome in the unit.

    `value` is the rate per thumb-year, the risk of a thumb, or the difference of a score, at the estimate;
    `draws` the same in new centres, all techniques of an outcome on the same draws of the baseline. Without
    an answer, `reason` says why and both are empty. `link`, `centre` and `carrier` (how the effect is
    carried to the unit's baseline) are None for the current technique.
    """

    outcome: UnitOutcome
    technique: UnitTechnique
    value: float = 0.0
    draws: FloatArray = field(default_factory=lambda: np.empty(0))
    link: Link | None = None
    finding: AnalysisFinding | None = None
    centre: NewCentre | None = None
    carrier: Carrier | None = None
    reason: str = ""
    notes: tuple[str, ...] = ()

    @property
    def answered(self) -> bool:
        """Whether there is a number."""
        return not self.reason

    @property
    def per_year(self) -> bool:
        """Whether `value` is a rate per thumb-year."""
        return self.outcome.baseline is not None and self.outcome.baseline.per_year

    @property
    def is_current(self) -> bool:
        """Whether this is what the unit does now."""
        return self.link is None and self.answered

    @property
    def compares(self) -> bool:
        """Whether its number comes from studies that hold the technique against the current one."""
        return self.answered and self.link is not None and not self.link.series

    @property
    def has_mean(self) -> bool:
        """Whether the draws have a mean: risks always, a score not where its effect has t tails with df 1."""
        if not self.outcome.scored or self.centre is None:
            return True
        return getattr(self.centre.distribution, "df", math.inf) > 1 and bool(np.isfinite(self.draws).all())

    def at(self, effect: float | None = None, baseline: float | None = None) -> float:
        """Return `value` under another effect (analysis scale) or another baseline."""
        base = baseline_value(self.outcome) if baseline is None else baseline
        if self.centre is None or self.link is None:
            return base
        size = self.centre.estimate if effect is None else effect
        found, _ = _applied(
            self.link, self.finding, np.asarray(size), np.asarray(base), self.per_year, self.carrier
        )
        return float(found)

    def per_thumb(self, value: float | FloatArray, years: float) -> FloatArray:
        """Return what a value means for one thumb within some years: a risk, or the difference of a score."""
        return risk_within(value, years) if self.per_year else np.asarray(value, dtype=float)

    def effect_limits(self) -> Limits | None:
        """Return the limits of the effect in a new centre on the analysis scale, None without an effect."""
        return self.centre.limits() if self.centre else None


def baseline_value(outcome: UnitOutcome) -> float:
    """Return the baseline at the estimate; 0 for a score, whose differences are to the current technique."""
    base = outcome.baseline
    if base is None:
        return 0.0
    if base.events > 0:
        return base.value
    return 0.5 / base.total if base.per_year else 0.5 / (base.total + 1)


def cells_of(
    unit: Unit,
    chosen: Sequence[Link],
    findings: Findings,
    *,
    random: np.random.Generator,
    size: int = DRAWS,
) -> tuple[Cell, ...]:
    """Return every outcome with every technique, outcomes in the unit's order, the current technique first.

    Raises
    ------
    NotEstimableError
        When effects were asked for and no analysis has an answer.
    """
    answers = {finding.plan.id: finding for finding in findings.analyses}
    by_place = {(link.outcome, link.technique): link for link in chosen}
    cells = []
    for outcome in unit.outcomes:
        bases = _baseline_draws(outcome, random, size)
        cells.append(_current(unit, outcome, bases))
        for technique in unit.others:
            link = by_place.get((outcome.term.id, technique.id))
            cells.append(_cell(outcome, technique, link, answers, bases, random))
    if chosen and not any(cell.answered and cell.link for cell in cells):
        reasons = "; ".join(sorted({cell.reason for cell in cells if cell.link and cell.reason}))
        raise NotEstimableError(
            f"none of the analyses that the unit asks for has an answer: {reasons}. "
            "Name other analyses of the review, or take the effects out to see the current technique alone."
        )
    return tuple(cells)


def _baseline_draws(outcome: UnitOutcome, random: np.random.Generator, size: int) -> FloatArray:
    shares = stratified(random, size)
    if outcome.baseline is None:
        return np.zeros(size)
    return outcome.baseline.quantile(shares)


def _current(unit: Unit, outcome: UnitOutcome, bases: FloatArray) -> Cell:
    base = outcome.baseline
    notes = (ZERO_BASELINE,) if base is not None and base.events == 0 else ()
    return Cell(
        outcome=outcome,
        technique=unit.technique(unit.current),
        value=baseline_value(outcome),
        draws=bases,
        notes=notes,
    )


def _cell(
    outcome: UnitOutcome,
    technique: UnitTechnique,
    link: Link | None,
    answers: Mapping[str, AnalysisFinding],
    bases: FloatArray,
    random: np.random.Generator,
) -> Cell:
    if link is None:
        return Cell(outcome=outcome, technique=technique, reason="the unit names no analysis for it")
    finding = answers[link.plan.id]
    if finding.result is None:
        return Cell(
            outcome=outcome, technique=technique, link=link, finding=finding, reason=finding.answer.reason
        )
    try:
        centre = new_centre(finding)
    except NotEstimableError as error:
        return Cell(outcome=outcome, technique=technique, link=link, finding=finding, reason=str(error))
    per_year = outcome.baseline is not None and outcome.baseline.per_year
    try:
        carrier = _carrier(link, finding, centre, baseline_value(outcome), per_year)
    except NotEstimableError as error:
        return Cell(outcome=outcome, technique=technique, link=link, finding=finding, reason=str(error))
    at = np.asarray(baseline_value(outcome))
    value, _ = _applied(link, finding, np.asarray(centre.estimate), at, per_year, carrier)
    draws, beyond = _applied(link, finding, centre.draw(random, len(bases)), bases, per_year, carrier)
    return Cell(
        outcome=outcome,
        technique=technique,
        value=float(value),
        draws=draws,
        link=link,
        finding=finding,
        centre=centre,
        carrier=carrier,
        notes=(
            *([carrier.reason] if carrier and carrier.reason else ()),
            *([_beyond_words(beyond)] if beyond else ()),
            *_unseen(link, finding, technique, float(np.median(draws)), per_year=per_year),
        ),
    )


def _unseen(
    link: Link, finding: AnalysisFinding, technique: UnitTechnique, middle: float, *, per_year: bool
) -> tuple[str, ...]:
    """Mark a middle value outside the interval of every study with the technique.

    The mean of drawn rates is no number to compare: a few draws of everybody at once make it.
    """
    arms = list(_arms(link, finding, current=False, per_year=per_year).values())
    unit = "thumb-years" if per_year else "thumbs"
    seen = Seen.of(technique.label, arms, unit)
    if seen is None or not seen.outside(middle):
        return ()
    return (
        f"Caution: the middle value after {technique.label}, {per_100(100 * middle)} in 100 {unit}, lies "
        f"outside what its studies saw ({seen.words}); it is the effect at your baseline; nobody saw it.",
    )


def arms_of(cell: Cell, *, current: bool) -> dict[str, tuple[float, float]]:
    """Return events and size (thumbs, or thumb-years) of a comparison's arms, by study.

    `current` asks for the arms with what the unit does now, else for those with the cell's own technique.
    """
    if cell.link is None or cell.finding is None:
        return {}
    return _arms(cell.link, cell.finding, current=current, per_year=cell.per_year)


def _arms(
    link: Link, finding: AnalysisFinding, *, current: bool, per_year: bool
) -> dict[str, tuple[float, float]]:
    side, size = (1 if current != link.backwards else 0), "time" if per_year else "total"
    rows = {study.name: study.sides[side].numbers for study in finding.numbers if len(study.sides) > side}
    return {name: (row["events"], row[size]) for name, row in rows.items() if "events" in row and size in row}


def _beyond_words(share: float) -> str:
    """Say how many draws of a risk lay beyond 0 or 100 and were set there."""
    written = f"{per_100(100 * share)} of 100 draws"
    return f"In {written} the risk would have left 0 to 100 of 100 and was set to the end."


def _carrier(
    link: Link, finding: AnalysisFinding, centre: NewCentre, base: float, per_year: bool
) -> Carrier | None:
    """Return how the effect is carried to the unit's baseline, None for series and scores.

    It has to carry the estimate, the interval of the mean and that of a new centre, so that nothing shown
    was cut at 0 or 100.

    Raises
    ------
    NotEstimableError
        When a risk difference fits neither the unit's baseline nor that of its own studies.
    """
    measure, result = MEASURES[link.plan.measure], finding.result
    if link.series or result is None or measure.at_baseline is None:
        return None
    limits = [end for end in centre.limits() if math.isfinite(end)]
    ends = np.array([result.estimate, *result.interval, *limits]) * (-1 if link.backwards else 1)
    own = baseline_of(measure, finding.numbers, level=result.level)
    home = None if own is None else own.value
    if home is not None and link.backwards:
        home += float(_on_natural(link, measure, np.asarray(result.estimate)))
    return carrier_for(measure.name, _on_natural(link, measure, ends), base, per_year=per_year, home=home)


def _on_natural(link: Link, measure: Measure, values: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):
        return np.asarray(np.exp(values) if measure.scale(link.plan.scale).axis == "log" else values)


def _applied(
    link: Link,
    finding: AnalysisFinding | None,
    effect: FloatArray,
    base: FloatArray,
    per_year: bool,
    carrier: Carrier | None,
) -> tuple[FloatArray, float]:
    """Return rates, risks or differences from effects on the analysis scale; and the share set to an end."""
    measure = MEASURES[link.plan.measure]
    if link.series:
        if finding is None or finding.result is None:  # pragma: no cover - an answered cell has both
            raise ValueError("a series without an answer")
        found = _natural(finding, effect)
        return (found, 0.0) if per_year else _within_0_and_1(found)
    size = -effect if link.backwards else effect
    if measure.name == "mean_difference":
        return size, 0.0
    if carrier is None:  # pragma: no cover - scores and series have returned
        raise ValueError("an effect on events without a way to a baseline")
    found = carrier.risk(_on_natural(link, measure, size), base)
    return (np.asarray(np.minimum(found, MOST_RATE)), 0.0) if per_year else _within_0_and_1(found)


def _natural(finding: AnalysisFinding, values: FloatArray) -> FloatArray:
    """Bring values of a single-arm analysis back to risks or rates by the result's own function."""
    back = finding.result.back_transform if finding.result else float
    scale = MEASURES[finding.plan.measure].scale(finding.plan.scale)
    with np.errstate(over="ignore"):
        fast = np.asarray(scale.to_natural(values), dtype=float)
    # Some scales (double arcsine) need the result's own way back; where both agree the fast one is taken.
    probe = np.linspace(np.min(values), np.max(values), 5)
    own = np.array([back(float(value)) for value in probe])
    if np.allclose(own, np.asarray(scale.to_natural(probe), dtype=float), rtol=1e-9, atol=1e-12):
        return np.asarray(np.minimum(fast, MOST_RATE))
    return np.array([back(float(value)) for value in np.ravel(values)]).reshape(np.shape(values))


def _within_0_and_1(risk: FloatArray) -> tuple[FloatArray, float]:
    beyond = float(np.mean((risk <= 0) | (risk > 1)))
    return np.clip(risk, LEAST_RISK, MOST_RISK), beyond
