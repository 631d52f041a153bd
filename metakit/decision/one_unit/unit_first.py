"""The first screen: "Should we change our standard technique?", an honest sentence a technique, no advice."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metakit.core.written import fixed, listed, per_100
from metakit.decision.certainty import Level
from metakit.decision.one_unit.expected import CountRange, Range, median_words
from metakit.decision.one_unit.unit import Unit, UnitOutcome, UnitTechnique
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_cells import Cell, baseline_value
from metakit.decision.one_unit.unit_driver_words import shown_effect, together
from metakit.decision.one_unit.unit_evidence import CellEvidence
from metakit.decision.one_unit.unit_work import Workload
from metakit.decision.thresholds import Thresholds
from metakit.synthesis.words import lower_first

QUESTION = "Should we change our standard technique?"
VERBS: dict[Level, str] = {"high": "means", "moderate": "probably means", "low": "may mean"}
NONE = "no difference that matters"
_ONE_SIDED = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class TechniqueLine:
    """What is said of one technique, its label apart; `compared`: some study holds it against now."""

    technique: UnitTechnique
    said: str
    current: bool
    compared: bool

    @property
    def text(self) -> str:
        """The whole sentence."""
        return f"{self.technique.label}{self.said}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstScreen:
    """The question, what the page as a whole says to it, and a sentence a technique."""

    question: str
    answer: str
    lines: tuple[TechniqueLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """Everything about one outcome with one technique that sentences are made of."""

    cell: Cell
    item: Expectation | None
    rests: CellEvidence | None


def first_screen(
    unit: Unit,
    cells: Sequence[Cell],
    expected: Sequence[Expectation],
    evidence: Sequence[CellEvidence],
    work: Sequence[Workload],
) -> FirstScreen:
    """Return the first screen; every claim in it is one that the interval and the certainty support."""
    by_cell = {id(item.cell): item for item in expected}
    now = {
        item.cell.outcome.term.id: item.cohort for item in expected if item.cell.is_current and item.cohort
    }
    rests = {id(item.cell): item for item in evidence}
    lines, speaking = [], []
    for technique in unit.techniques:
        told = [
            _Told(cell=cell, item=by_cell.get(id(cell)), rests=rests.get(id(cell)))
            for cell in cells
            if cell.technique.id == technique.id
        ]
        if technique.id == unit.current:
            lines.append(
                TechniqueLine(technique=technique, said=_now(unit, told), current=True, compared=False)
            )
            continue
        compared = [entry for entry in told if entry.cell.compares]
        claims = [supported(unit, entry.cell, entry.rests) for entry in compared]
        speaking += [technique.label] if any(claim and NONE not in claim for claim in claims) else []
        own = next((item for item in work if item.technique.id == technique.id), None)
        lines.append(
            TechniqueLine(
                technique=technique,
                said=_other(unit, told, own, now),
                current=False,
                compared=bool(compared),
            )
        )
    return FirstScreen(question=QUESTION, answer=_answer(unit, speaking), lines=tuple(lines))


def _answer(unit: Unit, speaking: Sequence[str]) -> str:
    if not unit.others:
        return "The unit's file names no other technique, so there is nothing to change to on this page."
    choice = "The page recommends nothing; the choice stays with you and your patients."
    if not speaking:
        return f"The evidence does not settle it for any other technique named here. {choice}"
    which = f"in at least one outcome for {listed(list(speaking))}"
    return f"The evidence speaks of a difference {which}, of no more than is said below. {choice}"


def _now(unit: Unit, told: Sequence[_Told]) -> str:
    parts = []
    for entry in told:
        item, base = entry.item, entry.cell.outcome.baseline
        if item is None or item.cohort is None or base is None:
            continue
        counts = item.cohort
        text = (
            f"{per_100(counts.mean)} with {noun(unit, entry.cell.outcome)} "
            f"({median_words(counts, unit.volume.value)}; "
            f"range {counts.lower:.0f} to {counts.upper:.0f})"
        )
        if base.events == 0:
            text += f"; {none_counted(base.events, base.total, base.per_year)}"
        elif not base.per_year and base.events == base.total:
            text += f"; {all_counted(base.total)}"
        parts.append(text)
    if not parts:
        return ", as now: its scores are what the others are compared with."
    return f", as now: of a year's {unit.volume.value:g} thumbs, plan for {'; and for '.join(parts)}."


def none_counted(events: float, total: float, per_year: bool) -> str:
    """Explain a count of no event: what rate, or risk, it leaves possible.

    References
    ----------
    Hanley JA, Lippman-Hand A (1983). JAMA 249:1743-1745: the exact one-sided 95 % limit of a count of 0.

    Examples
    --------
    >>> none_counted(0, 30, False)
    'you counted 0 in 30 thumbs, which is not a risk of zero: up to 9.5 in 100 thumbs are still possible'
    """
    most = -math.log(_ONE_SIDED) / total if per_year else 1 - _ONE_SIDED ** (1 / total)
    unit = "thumb-years" if per_year else "thumbs"
    many = f"{per_100(100 * most)} in 100 {unit}"
    return (
        f"you counted {events:g} in {total:g} {unit}, which is not a {'rate' if per_year else 'risk'} of "
        f"zero: up to {many} are still possible"
    )


def all_counted(total: float) -> str:
    """Explain a count in which every thumb had the event: what risk it leaves possible (as `none_counted`).

    Examples
    --------
    >>> all_counted(30)
    'you counted 30 in 30 thumbs, which is not a risk of 100: as few as 90 in 100 thumbs are still possible'
    """
    least = _ONE_SIDED ** (1 / total)
    return (
        f"you counted {total:g} in {total:g} thumbs, which is not a risk of 100: as few as "
        f"{per_100(100 * least)} in 100 thumbs are still possible"
    )


def noun(unit: Unit, outcome: UnitOutcome) -> str:
    """Name an outcome of events with its time: `revision of the index operation within 2 years`."""
    years = unit.years.value
    if outcome.baseline is not None and outcome.baseline.per_year:
        return f"{lower_first(outcome.term.label)} within {years:g} year{'' if years == 1 else 's'}"
    when = f" within {outcome.months:g} months" if outcome.months else ""
    return f"{lower_first(outcome.term.label)}{when}"


def _other(unit: Unit, told: Sequence[_Told], work: Workload | None, now: Mapping[str, CountRange]) -> str:
    current = unit.technique(unit.current).label
    claims: list[str] = []
    open_: list[str] = []
    aside: list[str] = []
    for entry in told:
        if entry.cell.compares:
            claim = supported(unit, entry.cell, entry.rests)
            name = _name(unit, entry.cell)
            if claim:
                claims.append(f"{claim}{name} ({_basis(entry)})")
            elif entry.cell.outcome.scored:
                open_.append(f"{name} is better or worse ({_basis(entry)})")
            else:
                thumbs = (
                    "" if any("more or fewer" in text for text in open_) else "more or fewer thumbs have "
                )
                open_.append(f"{thumbs or 'more or fewer have '}{name} ({_basis(entry)})")
        else:
            aside.append(_apart(entry.cell))
    parts = []
    if claims:
        parts.append(f"it {'; it '.join(claims)}")
    if open_:
        start = "it cannot be told whether" if claims else "the evidence cannot tell whether"
        parts.append(f"{start} {', nor whether '.join(open_)}")
    if not claims and not open_:
        parts.append(
            f"no study named here compares it with {current}, so neither better nor worse can be said"
        )
    if aside:
        parts.append("; ".join(aside))
    stake = _stake(unit, told, work, now)
    return f": {'; '.join([*parts, *([stake] if stake else [])])}."


def _name(unit: Unit, cell: Cell) -> str:
    return cell.outcome.term.label if cell.outcome.scored else noun(unit, cell.outcome)


def _apart(cell: Cell) -> str:
    label = lower_first(cell.outcome.term.label)
    if not cell.answered:
        return f"for {label} there is no number ({cell.reason})"
    studies = len(cell.finding.numbers) if cell.finding else 0
    return f"for {label} only {studies} single-arm series, which compare nothing"


def _basis(entry: _Told) -> str:
    """Return effect, interval and certainty of an answer, in brackets behind its name."""
    cell = entry.cell
    result = cell.finding.result if cell.finding else None
    if result is None:  # pragma: no cover - a comparison has a result
        return ""
    ends = sorted(result.interval, reverse=bool(cell.link and cell.link.backwards))
    limits = together(*(shown_effect(cell, end) for end in ends))
    shown = f"{shown_effect(cell, result.estimate)}, mean of centres {limits}"
    words = _shorter(shown_effect(cell, result.estimate), shown)
    certainty = entry.rests.certainty if entry.rests else "not judged"
    return f"{words}; certainty {certainty.replace(' (', ', ').removesuffix(')')}"


def _shorter(first: str, shown: str) -> str:
    """Say the measure's name once: `rate ratio 0.5, 0.2 to 1.1`."""
    name = first.rsplit(" ", 1)[0]
    return shown if not name else f"{first}{shown[len(first) :].replace(f'{name} ', '', 1)}"


def supported(unit: Unit, cell: Cell, rests: CellEvidence | None) -> str:
    """Return what the evidence supports, "" where its interval or its certainty support nothing.

    At very low certainty, or none judged, nothing is said (Santesso 2020, GRADE guidance 26); above it, the
    verb carries the certainty. The interval is that of the mean, at the unit's baseline.
    """
    result = cell.finding.result if cell.finding else None
    if result is None or cell.finding is None or rests is None or rests.level in (None, "very_low"):
        return ""
    verb, years = VERBS[rests.level], unit.years.value
    now = float(cell.per_thumb(baseline_value(cell.outcome), years))
    gaps = sorted(float(cell.per_thumb(cell.at(end), years)) - now for end in result.interval)
    smallest = Thresholds.of(cell.finding.outcome_plan, "")
    if smallest is not None:
        limit = smallest.smallest / (1 if cell.outcome.scored else 100)
        if all(abs(gap) < limit for gap in gaps):
            return f"{verb} {NONE} in "
    if gaps[0] > 0 or gaps[1] < 0:
        if cell.outcome.scored:
            return f"{verb} a {'better' if cell.outcome.worse * gaps[0] < 0 else 'worse'} "
        return f"{verb} {'more' if gaps[0] > 0 else 'fewer'} thumbs with "
    return ""


def _stake(unit: Unit, told: Sequence[_Told], work: Workload | None, now: Mapping[str, CountRange]) -> str:
    """Say what is at stake in a year: thumbs, theatre hours, money."""
    parts = [
        f"{fewer_to_more(entry.item.change)} thumbs with {lower_first(entry.cell.outcome.term.label)}"
        f"{above_now(entry.item.change, now.get(entry.cell.outcome.term.id))}"
        for entry in told
        if entry.item is not None and entry.item.change is not None and not entry.cell.outcome.scored
    ]
    amounts = (
        [] if work is None else [(work.hours, "theatre hours"), (work.cost, unit.currency or "in money")]
    )
    for found, what in amounts:
        if found.change is not None or found.change_first is not None:
            parts.append(_work_words(found.change, found.change_first, what))
    if not parts:
        return ""
    return f"at stake in a year's {unit.volume.value:g} thumbs: {', '.join(parts)}"


def above_now(change: Range, now: CountRange | None) -> str:
    """Explain a difference of more thumbs than are planned for as now: what is now is uncertain too."""
    if now is None or -change.lower <= now.mean:
        return ""
    return f" (more than the {per_100(now.mean)} planned for as now, which may be up to {now.upper:.0f})"


def _work_words(change: Range | None, first: float | None, what: str) -> str:
    value = change.planned if change is not None else first or 0.0
    alone = "" if change is not None else " for the operations alone"
    size = _rounded(abs(value))
    return f"{size} {what} {'more' if value >= 0 else 'fewer'}{alone}"


def _rounded(value: float) -> str:
    """Write an amount with three digits at most."""
    return f"{float(f'{value:.3g}'):,.0f}".replace(",", "\u202f") if value >= 9.95 else fixed(value, 1)


def fewer_to_more(change: Range) -> str:
    """Write a difference of thumbs as `from 3 fewer to 16 more`.

    Examples
    --------
    >>> fewer_to_more(Range(mean=2.0, median=1.0, lower=-3.1, upper=16.2))
    'from 3.1 fewer to 16 more'
    """

    def side(value: float) -> str:
        return f"{per_100(abs(value))} {'fewer' if value < 0 else 'more'}"

    low, high = side(change.lower), side(change.upper)
    if change.lower * change.upper > 0:
        low = per_100(abs(change.lower))
    return f"from {low} to {high}"
