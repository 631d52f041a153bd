"""The rows of a unit's page as texts, ready for its template."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.written import MINUS, fixed, per_100, ratio, signed
from metakit.decision.one_unit.expected import CountRange, Range, extreme_words, middle_words
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_counted import counted_words
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_driver_words import plain, shown_effect, together
from metakit.decision.one_unit.unit_drivers import Drivers
from metakit.decision.one_unit.unit_evidence import CellEvidence
from metakit.decision.one_unit.unit_words import is_thin, score_words

NO_DIFFERENCE = "none: nothing here compares them"
NEAR_NONE = 0.01
"""Per 100: an event in ten thousand thumbs (ours, no source)."""
NO_MORE = "none: at least that much is there, which is not the same as a firm answer"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedLine:
    """One technique of one outcome; `remark` stands below its difference, `extreme` below its mean."""

    technique: str
    current: bool
    expected: str
    median: str
    per_100: str
    change: str
    better: str
    certainty: str
    signed: bool
    notes: tuple[str, ...]
    remark: str = ""
    extreme: str = ""


def expected_groups(found: UnitDecision) -> list[tuple[str, str, bool, list[ExpectedLine]]]:
    """Return the outcomes with their baseline in words, whether they are scores, and a line a technique."""
    groups = []
    for outcome in found.unit.outcomes:
        lines = [
            _expected(found, item)
            for item in found.expectations
            if item.cell.outcome.term.id == outcome.term.id and not (item.cell.is_current and outcome.scored)
        ]
        lines += [
            ExpectedLine(
                technique=cell.technique.label, current=False, expected="no number", median="", per_100="",
                change="", better="", certainty="", signed=True, notes=(cell.reason,),
            )
            for cell in found.cells
            if cell.outcome.term.id == outcome.term.id and not cell.answered
        ]  # fmt: skip
        base = outcome.baseline
        if base is None:
            current = found.unit.technique(found.unit.current).label
            words = f"mean difference to {current}, in {outcome.term.unit}"
        else:
            months = f" looked at for {outcome.months:g} months" if outcome.months else ""
            span = "" if not base.per_year else f"; within {found.unit.years.value:g} years of the operation"
            words = f"now {base.events:g} in {base.total:g} {base.unit}{months}"
            counted = counted_words(base)
            if counted:
                words += f"{counted[counted.index(',') :].rstrip('.')}: {base.source}{span}"
            else:
                low, high = plain(100 * base.lower), plain(100 * base.upper)
                words += f", that is {plain(100 * base.value)} per 100 ({low} to {high}): {base.source}{span}"
        groups.append((outcome.term.label, words, outcome.scored, lines))
    return groups


def _expected(found: UnitDecision, item: Expectation) -> ExpectedLine:
    cell, rests, remark = item.cell, found.evidence_of(item.cell), ""
    if cell.outcome.scored:
        expected, median, per, change = score_words(item), "", "", ""
    else:
        expected, median = counts_words(item.cohort), middle_cell(item.cohort, found.unit.volume.value)
        per = range_words(item.per_thumb.times(100))
        change = "" if cell.is_current else NO_DIFFERENCE
        if item.change:
            change, remark = signed_words(item.change), other_side_words(item.change)
    basis = [shown_effect(cell, cell.centre.estimate)] if cell.centre else []
    if cell.centre and not (cell.link and cell.link.series):
        limits = cell.centre.limits()
        ends = sorted((limits.lower, limits.upper), reverse=bool(cell.link and cell.link.backwards))
        new = together(*(shown_effect(cell, end) for end in ends))
        basis.append(f"in a new centre {new}")
    return ExpectedLine(
        technique=cell.technique.label,
        current=cell.is_current,
        expected=expected,
        median=median,
        per_100=per,
        change=change,
        remark=remark,
        extreme=extreme_words(item.cohort) if item.cohort is not None and item.cohort.extreme else "",
        better=_better(item),
        certainty=rests.certainty if rests else "",
        signed=rests.signed if rests else True,
        notes=(
            *([", ".join(basis)] if basis else []),
            *cell.notes,
        ),
    )


def _better(item: Expectation) -> str:
    if item.better_share is None:
        return ""
    few = " (too few studies or events to lean on)" if is_thin(item.cell) else ""
    return f"{share_words(item.better_share)}{few}"


def burden_lines(found: UnitDecision) -> list[tuple[str, str, str, str, str]]:
    """Return technique, sum, difference, share of draws lower, and the parts or the reason without a sum."""
    labels = {item.term.id: item.term.label for item in found.unit.outcomes}
    return [
        (
            item.technique.label,
            "no sum" if item.total is None else wide(item.total),
            "" if item.change is None else _with_middle(item.change),
            "" if item.better_share is None else share_words(item.better_share),
            item.reason or "; ".join(f"{labels[name]} {fixed(value, 0)}" for name, value in item.parts),
        )
        for item in found.burdens
    ]


def _with_middle(found: Range) -> str:
    """Write a difference of sums with its middle value, beside which extreme draws show."""
    if found.mean is None:
        return signed_words(found, 0)
    return f"{signed_words(found, 0)}; middle value {_signed_3(found.median)}"


def weights_words(found: UnitDecision) -> str:
    """Say the unit's weights, and where a weight of one outcome means several of another."""
    parts = []
    for outcome in found.unit.outcomes:
        if outcome.weight is not None:
            of = (
                f"each {outcome.term.unit.removesuffix('s')} of a thumb"
                if outcome.scored
                else "each thumb with it"
            )
            parts.append(f"{outcome.term.label} {outcome.weight.value:g} for {of}")
    return "; ".join(parts)


def tie_lines(item: Drivers) -> list[tuple[str, str, str, str]]:
    """Return input, value now, what would have to be true, and whether its own limits reach that far."""
    lines = []
    for tie in item.ties:
        if tie.value is None:
            lines.append((tie.name, tie.now, "no value of it alone would do", ""))
            continue
        inside = {True: "yes", False: "no", None: ""}[tie.inside]
        lines.append((tie.name, tie.now, f"{tie.favours.removesuffix(' it')} {tie.value}", inside))
    return lines


def tie_basis(found: UnitDecision, item: Drivers) -> str:
    """Say both differences: at the estimates, on which drivers stand, and as the mean of the draws."""
    volume = found.unit.volume.value
    if item.weighted:
        burden = next((one for one in found.burdens if one.technique.id == item.technique.id), None)
        change, what, size = (burden.change if burden else None), "per 100 thumbs", 100 / volume
    else:
        first = next(c for c in found.cells if c.technique.id == item.technique.id and c.compares)
        own = found.expectation(first.outcome.term.id, item.technique.id)
        change, what, size = (own.change if own else None), f"of a year's {volume:g} thumbs", 1.0
        if first.outcome.scored:
            return ""
    if change is None or change.mean is None:
        return ""
    at, mean, middle = (_signed_3(part) for part in (item.difference * size, change.mean, change.median))
    return (
        f"All that follows stands at the estimates: there the difference is {at} {what}. The mean of the "
        f"draws, as in the tables above, is {mean}; their middle value is {middle}."
    )


def _signed_3(value: float) -> str:
    text = signed(value)
    return "0" if not text.strip("+−0.") else text


def scenario_lines(found: UnitDecision) -> list[tuple[str, str, list[tuple[str, ...]]]]:
    """Return scenarios with what was typed, and a row for each outcome and technique."""
    groups = []
    for scenario in found.unit.case_mix:
        typed = "; ".join(
            f"{_outcome(found, effect.outcome)}: "
            f"{ratio(effect.rate_ratio.value)} times the rate of the others"
            + (
                f" ({ratio(limits[0])} to {ratio(limits[1])})"
                if (limits := effect.rate_ratio.limits) is not None
                else ""
            )
            + (f", with {found.unit.technique(effect.technique).label}" if effect.technique else "")
            + f" ({effect.source})"
            for effect in scenario.effects
        )
        instead = scenario.share_instead
        about = f"{100 * scenario.share:g} % of the thumbs" + (
            "" if instead is None else f", {100 * instead:g} % instead in the last column"
        )
        rows: list[tuple[str, ...]] = [
            (
                row.cell.outcome.term.label,
                row.cell.technique.label,
                range_words(row.part.times(100)),
                range_words(row.rest.times(100)),
                counts_words(row.events),
                "" if row.all_instead is None else f"{per_100(row.all_now)} → {wide(row.all_instead)}",
            )
            for row in found.scenarios
            if row.scenario is scenario
        ]
        groups.append((scenario.label, f"{about}. Typed: {typed}.", rows))
    return groups


def missing_words(item: CellEvidence) -> str:
    """Say how many more thumbs must be studied before the evidence is as large as one good trial."""
    missing = item.missing
    if missing.more is None or missing.needed is None or missing.present is None:
        return missing.why_not
    more = f"{thousands(missing.more)} more" if missing.more else NO_MORE
    return (
        f"{more} ({thousands(missing.present)} of {thousands(missing.needed)} {missing.unit}; "
        f"{missing.inputs})"
    )


def _outcome(found: UnitDecision, name: str) -> str:
    return next(item.term.label for item in found.unit.outcomes if item.term.id == name)


def counts_words(found: CountRange | None) -> str:
    """Write an expected count with its range."""
    if found is None:
        return ""
    return f"{per_100(found.mean)} ({found.lower:.0f} to {found.upper:.0f})"


def middle_cell(found: CountRange | None, thumbs: float) -> str:
    """Write the middle value of a count for a cell: `3`, or `0: none in 85 of 100 such units`."""
    if found is None:
        return ""
    value = f"{found.median:.0f}"
    return f"{value}: {middle_words(found, thumbs)}".removesuffix(f": middle value {value}")


def range_words(found: Range) -> str:
    """Write a range per 100; a lower limit that no count could tell from none is near 0."""
    low = "near 0" if 0 < found.lower < NEAR_NONE else per_100(found.lower)
    return f"{per_100(found.planned)} ({low} to {per_100(found.upper)})"


def signed_words(found: Range, decimals: int = 1) -> str:
    """Write a difference with its signs."""

    def one(value: float) -> str:
        text = fixed(value, 0 if abs(value) >= 9.95 else decimals)
        return f"+{text}" if value > 0 and text.strip("0.") else text

    return f"{one(found.planned)} ({one(found.lower)} to {one(found.upper)})"


def other_side_words(found: Range) -> str:
    """Say the middle value where the mean lies on the other side of no difference."""
    if found.mean is None or found.mean * found.median >= 0:
        return ""
    size = f"{'+' if found.median > 0 else MINUS}{per_100(abs(found.median))}"
    return f"a few extreme draws make this mean; the middle value is {size}"


def share_words(share: float) -> str:
    """Write a share of draws, never 0 or 100 %."""
    if share < 0.005:
        return "below 1 %"
    return "above 99 %" if share > 0.995 else f"{100 * share:.0f} %"


def wide(found: Range) -> str:
    """Write a range per 100, or of amounts."""
    if found.lower == found.upper:
        return per_100(found.planned) if abs(found.planned) < 1000 else money(found.planned)
    if max(abs(found.planned), abs(found.upper)) < 1000:
        return range_words(found)
    return f"{money(found.planned)} ({money(found.lower)} to {money(found.upper)})"


def money(value: float) -> str:
    """Round to three digits: no amount here is known better."""
    rounded = float(f"{value:.3g}")
    return thousands(rounded)


def thousands(value: float) -> str:
    """Write a whole number with its thousands apart."""
    return f"{value:,.0f}".replace(",", "\u202f").replace("-", "−")
