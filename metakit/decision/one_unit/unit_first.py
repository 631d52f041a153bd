"""The first screen: "Should we change our standard technique?", honest short sentences, no advice."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from metakit.core.written import fixed, listed, per_100
from metakit.decision.certainty import Level
from metakit.decision.one_unit.expected import CountRange, Range, middle_words
from metakit.decision.one_unit.unit import Unit, UnitOutcome, UnitTechnique
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_cells import Cell, baseline_value
from metakit.decision.one_unit.unit_counted import counted_words, same_thing
from metakit.decision.one_unit.unit_evidence import CellEvidence
from metakit.decision.one_unit.unit_said import (
    OF_YEAR,
    average_words,
    labelled,
    past_words,
    studied_words,
    unit_words,
)
from metakit.decision.one_unit.unit_work import Workload
from metakit.decision.thresholds import Thresholds
from metakit.synthesis.words import lower_first

QUESTION = "Should we change our standard technique?"
VERBS: dict[Level, str] = {"high": "means", "moderate": "probably means", "low": "may mean"}
NONE = "no difference that matters"
UNTOLD = "better or worse cannot be told."
UNTOLD_REST = "the rest cannot be told."
RANGES = "Ranges hold 95 of 100 such units"
STAKED = "; differences leave out chance."


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
    """The question, what the page says to it, what is said of each technique, and of all ranges."""

    question: str
    answer: str
    lines: tuple[TechniqueLine, ...]
    ranges: str

    @property
    def text(self) -> str:
        """All of it, as it is read aloud."""
        parts = (self.question, self.answer, *(line.text for line in self.lines), self.ranges)
        return " ".join(part for part in parts if part)


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
    heard: set[str] = set()
    for technique in unit.techniques:
        told = [
            _Told(cell=cell, item=by_cell.get(id(cell)), rests=rests.get(id(cell)))
            for cell in cells
            if cell.technique.id == technique.id
        ]
        if technique.id == unit.current:
            said = _now(unit, told, cells)
            lines.append(TechniqueLine(technique=technique, said=said, current=True, compared=False))
            continue
        compared = [entry for entry in told if entry.cell.compares]
        claims = [supported(unit, entry.cell, entry.rests) for entry in compared]
        speaking += [technique.label] if any(claim and NONE not in claim for claim in claims) else []
        own = next((item for item in work if item.technique.id == technique.id), None)
        said = _other(unit, told, own, now, heard)
        lines.append(TechniqueLine(technique=technique, said=said, current=False, compared=bool(compared)))
    staked = any(item.change is not None and not item.cell.outcome.scored for item in expected)
    return FirstScreen(
        question=QUESTION,
        answer=_answer(unit, speaking),
        lines=tuple(lines),
        ranges=RANGES + STAKED if staked else f"{RANGES}." if now else "",
    )


def _answer(unit: Unit, speaking: Sequence[str]) -> str:
    if not unit.others:
        return "The unit's file names no other technique, so there is nothing to change to on this page."
    choice = "The page recommends nothing; you and your patients choose."
    if not speaking:
        alone = unit.others[0].label if len(unit.others) == 1 else "any other technique"
        return f"The evidence does not settle it for {alone}. {choice}"
    which = f"in at least one outcome for {listed(list(speaking))}"
    return f"The evidence speaks of a difference {which}, of no more than is said below. {choice}"


def _now(unit: Unit, told: Sequence[_Told], cells: Sequence[Cell]) -> str:
    parts: list[str] = []
    counted: list[str] = []
    for entry in told:
        item, outcome, base = entry.item, entry.cell.outcome, entry.cell.outcome.baseline
        if item is None or item.cohort is None or base is None:
            continue
        counts = item.cohort
        parts.append(
            f"{per_100(counts.mean)} with {noun(unit, outcome)} "
            f"({middle_words(counts, unit.volume.value)}; {'' if parts else 'range '}"
            f"{counts.lower:.0f} to {counts.upper:.0f})"
        )
        same = [cell for cell in cells if cell.outcome.term.id == outcome.term.id]
        counted += [counted_words(base), same_thing(base, same)]
    if not parts:
        return ", as now: its scores are what the others are compared with."
    plan = f", as now: of a year's {unit.volume.value:g} thumbs, plan for {', and for '.join(parts)}."
    return " ".join([plan, *filter(None, counted)])


def noun(unit: Unit, outcome: UnitOutcome) -> str:
    """Name an outcome of events with its time: `revision of the index operation within 2 years`."""
    years = unit.years.value
    if outcome.baseline is not None and outcome.baseline.per_year:
        return f"{lower_first(outcome.term.label)} within {years:g} year{'' if years == 1 else 's'}"
    when = f" within {outcome.months:g} months" if outcome.months else ""
    return f"{lower_first(outcome.term.label)}{when}"


def _other(
    unit: Unit,
    told: Sequence[_Told],
    work: Workload | None,
    now: Mapping[str, CountRange],
    heard: set[str],
) -> str:
    """Say what another technique would change; `heard` holds what was said once and needs no saying again."""
    claims: list[str] = []
    open_: list[str] = []
    supports = {id(entry): supported(unit, entry.cell, entry.rests) for entry in told if entry.cell.compares}
    compared = [entry for entry in told if entry.cell.compares]
    compared.sort(key=lambda entry: not supports[id(entry)])
    sureness, signature = _certainties(compared)
    for entry in compared:
        cell, name, sure = entry.cell, entry.cell.outcome.term.id, sureness(entry)
        change = entry.item.change if entry.item is not None else None
        if change is None:  # pragma: no cover - a comparison has a difference
            continue
        claim, label = supports[id(entry)], labelled(unit, cell, timed=name not in heard)
        of = "" if cell.outcome.scored or OF_YEAR in heard else OF_YEAR
        here = unit_words(cell, change, now.get(name), of=of, unit=not claim)
        heard |= {name, of}
        if not claim:
            open_.append(f"{label}: {here}{sure}.")
            continue
        limit = past_words(unit, cell, change) if NONE in claim else ""
        one = f"one unit may pass the {limit} that matter:" if limit else "one unit:"
        claims += [f"it {claim}{lower_first(label)} {average_words(cell)}; {one} {here}{sure}."]
    aside = [_apart(entry.cell) for entry in told if not entry.cell.compares]
    parts = [*studied_words([entry.cell for entry in compared]), *claims]
    if open_:
        parts += [UNTOLD_REST if claims else UNTOLD, *open_]
    if not parts:
        current = unit.technique(unit.current).label
        parts = [f"no study named here compares it with {current}, so neither better nor worse can be said."]
    parts += [*signature, *aside]
    parts += [text] if (text := _work(unit, work)) else []
    return f": {parts[0]} {' '.join(f'{text[:1].upper()}{text[1:]}' for text in parts[1:])}".rstrip()


def _apart(cell: Cell) -> str:
    label = lower_first(cell.outcome.term.label)
    if not cell.answered:
        return f"for {label} there is no number ({cell.reason})."
    studies = len(cell.finding.numbers) if cell.finding else 0
    return f"for {label} only {studies} single-arm series, which compare nothing."


def _certainties(compared: Sequence[_Told]) -> tuple[Callable[[_Told], str], list[str]]:
    """Return what says the certainty behind an outcome, and a sentence on signatures that are alike."""
    told = {id(entry): entry.rests.certainty if entry.rests else "not judged" for entry in compared}
    signed = {text.partition("; ")[2] for text in told.values()}
    alike = len(told) > 1 and len(signed) == 1 and "" not in signed

    def say(entry: _Told) -> str:
        text = told[id(entry)].partition("; ")[0] if alike else told[id(entry)]
        return f" ({'certainty ' if entry is compared[0] else ''}{text})"

    return say, [f"{signed.pop()}."] if alike else []


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


def _work(unit: Unit, work: Workload | None) -> str:
    """Say what a year takes more or less of theatre hours and money."""
    amounts = (
        [] if work is None else [(work.hours, "theatre hours"), (work.cost, unit.currency or "in money")]
    )
    parts = [
        _work_words(found.change, found.change_first, what)
        for found, what in amounts
        if found.change is not None or found.change_first is not None
    ]
    if len(parts) > 1 and len({part.rpartition(" ")[2] for part in parts}) == 1:
        parts = [*(part.rpartition(" ")[0] for part in parts[:-1]), parts[-1]]
    return f"it takes {listed(parts)}." if parts else ""


def _work_words(change: Range | None, first: float | None, what: str) -> str:
    value = change.planned if change is not None else first or 0.0
    alone = "" if change is not None else " for the operations alone"
    size = _rounded(abs(value))
    return f"{size} {what} {'more' if value >= 0 else 'fewer'}{alone}"


def _rounded(value: float) -> str:
    """Write an amount with three digits at most."""
    if value >= 9.95:
        return f"{float(f'{value:.3g}'):,.0f}".replace(",", "\u202f")
    return fixed(value, 1).removesuffix(".0")
