"""What sensitivity analyses and specification curves mean, in short sentences for no statistician."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from metakit.core.written import count, fixed, listed, signed
from metakit.synthesis.choices.sensitivity_table import SensitivityTable, ShiftRow
from metakit.synthesis.choices.specification_grid import LABELS
from metakit.synthesis.choices.specification_results import (
    NOT_APPLICABLE,
    Conclusion,
    OptionEffect,
    SpecificationCurve,
    SpecificationRow,
)

ENDS = 3
"""Answers shown from each end of the curve."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """How differences of one unit are written: `+2.3`, `−0.45`."""

    unit: str
    decimals: int

    @classmethod
    def of(cls, unit: str, smallest: float | None) -> Differences:
        """Return the way for a unit; fine differences get two decimals."""
        return cls(unit=unit, decimals=2 if smallest is not None and smallest < 2 else 1)

    def signed(self, value: float) -> str:
        """Write a difference with its sign."""
        return signed(value, self.decimals)

    def size(self, value: float) -> str:
        """Write the size of a difference with its unit."""
        return f"{fixed(abs(value), self.decimals)} {self.unit}"

    def limits(self, pair: tuple[float, float] | None) -> str:
        """Write an interval."""
        return "" if pair is None else f"{self.signed(pair[0])} to {self.signed(pair[1])}"


def conclusion_words(conclusion: Conclusion | None, below: str, above: str) -> str:
    """Say what a conclusion is."""
    if conclusion == "open":
        return "the direction is open"
    return below if conclusion == "below" else above


def sign_words(below: str, above: str) -> str:
    """Say what the signs of the differences mean."""
    return f"A minus means {below}, a plus {above}."


def sensitivity_sentences(table: SensitivityTable) -> tuple[str, ...]:
    """Say how far other choices move the answer, against the smallest important difference."""
    rows = table.answered
    if not rows:
        return ()
    say = Differences.of(table.unit, table.smallest_important_difference)
    farthest = max(rows, key=lambda row: abs(row.shift or 0.0))
    shift = farthest.shift or 0.0
    start = f"{count(len(rows), 'other choice')} of analysis {'was' if len(rows) == 1 else 'were'} tried."
    moved = f"The one that moves the answer farthest ({farthest.what}) moves it by {say.size(shift)}"
    if table.smallest_important_difference and farthest.shift_in_important is not None:
        times = abs(farthest.shift_in_important)
        against = f"{table.smallest_important_difference:g} {table.unit}"
        if times < 1:
            moved += f"; that is less than the smallest difference that matters ({against})."
        else:
            moved += f"; that is {times:.1f} times the smallest difference that matters ({against})."
    else:
        moved += "."
    turned = [row.what for row in rows if row.same_conclusion is False]
    if turned:
        end = f"The conclusion would be another with: {'; '.join(turned)}."
    else:
        end = "The conclusion stays the same with every one of them."
    return (start, moved, end)


def specification_sentences(curve: SpecificationCurve) -> tuple[str, ...]:
    """Say in how many reasonable ways the conclusion holds, and which choice matters."""
    if curve.reason:
        return (f"There is no table of all reasonable ways to do this analysis: {curve.reason}.",)
    answered, fraction = curve.answered, curve.fraction
    if not answered or fraction is None:
        return ("None of the reasonable ways to do this analysis gave an answer.",)
    say = Differences.of(curve.unit, curve.smallest_important_difference)
    held = sum(bool(row.holds) for row in answered)
    values = sorted(row.estimate for row in answered if row.estimate is not None)
    told = conclusion_words(curve.conclusion, curve.below, curve.above)
    sentences = [
        f"The same question was answered in {count(len(answered), 'reasonable way')}, every combination of "
        f"{listed(_varied(curve))}.",
        f"The planned conclusion ({told}) holds in {held} of them ({_share(fraction)}).",
        f"Their answers run from {say.signed(values[0])} to {say.signed(values[-1])} {curve.unit}; the "
        f"middle one is {say.signed(median(values))}.",
    ]
    if curve.conclusion == "open":
        sentences.append(
            "That an open answer stays open is no proof of no difference: it says that studies are too few."
        )
    sentences += _important(curve, answered)
    strongest = _strongest(curve.effects)
    if strongest:
        choice, low, high = strongest
        sentences.append(
            f"The choice that matters most is the {LABELS[choice].lower()}: the conclusion holds in "
            f"{_share(low.fraction)} of the ways with “{low.label}” and in {_share(high.fraction)} with "
            f"“{high.label}”."
        )
    elif len(answered) > 1 and held == len(answered):
        sentences.append("No single choice changes the conclusion.")
    if curve.refused:
        sentences.append(f"{count(len(curve.refused), 'further way')} had no answer; the reasons are listed.")
    standing = "planned: the protocol lists these choices" if curve.planned else (
        "exploratory: the protocol does not list these choices, so the usual ones were taken"
    )  # fmt: skip
    sentences.append(f"This table is {standing}.")
    return tuple(sentences)


def _important(curve: SpecificationCurve, answered: Sequence[SpecificationRow]) -> list[str]:
    smallest = curve.smallest_important_difference
    if not smallest:
        return []
    below = sum((row.estimate or 0.0) <= -smallest for row in answered)
    above = sum((row.estimate or 0.0) >= smallest for row in answered)
    words = [
        f"{count(n, 'way')} towards {side}" for n, side in ((below, curve.below), (above, curve.above)) if n
    ]
    if not words:
        return [f"None of the answers is as large as a difference that matters ({smallest:g} {curve.unit})."]
    return [f"A difference that matters ({smallest:g} {curve.unit}) is reached in {listed(words)}."]


def _varied(curve: SpecificationCurve) -> list[str]:
    found = []
    for choice in curve.choices:
        options = {row.choices[choice.name] for row in curve.rows} - {NOT_APPLICABLE}
        if len(options) > 1:
            found.append(f"{choice.label[:1].lower()}{choice.label[1:]} ({len(options)})")
    return found or ["one option each"]


def _strongest(effects: Sequence[OptionEffect]) -> tuple[str, OptionEffect, OptionEffect] | None:
    """Return the choice whose options differ most in how often the conclusion holds."""
    best = None
    for choice in dict.fromkeys(effect.choice for effect in effects):
        members = [item for item in effects if item.choice == choice and item.option != NOT_APPLICABLE]
        if len(members) < 2:
            continue
        low, high = min(members, key=lambda e: e.fraction), max(members, key=lambda e: e.fraction)
        if high.fraction > low.fraction and (best is None or high.fraction - low.fraction > best[0]):
            best = (high.fraction - low.fraction, choice, low, high)
    return best[1:] if best else None


def _share(fraction: float) -> str:
    """Write a share; only a true none and all are 0 and 100 %."""
    percent = 100 * fraction
    if 0 < percent < 1:
        return "under 1 %"
    if 99 < percent < 100:
        return "over 99 %"
    return f"{percent:.0f} %"


def sensitivity_lines(table: SensitivityTable) -> list[dict[str, str]]:
    """Return the table as shown, the planned analysis first."""
    say = Differences.of(table.unit, table.smallest_important_difference)

    def line(row: ShiftRow) -> dict[str, str]:
        if row.difference is None:
            return {"what": row.what, "standing": row.standing, "difference": "", "reason": row.reason}
        times = row.shift_in_important
        return {
            "what": row.what,
            "standing": row.standing,
            "k": str(row.k),
            "difference": say.signed(row.difference),
            "interval": say.limits(row.interval),
            "shift": "" if row.shift is None else say.signed(row.shift),
            "times": "" if times is None else fixed(times, 2),
            "same": "" if row.same_conclusion is None else "yes" if row.same_conclusion else "no",
            "reason": "",
        }

    return [line(table.headline), *(line(row) for row in table.rows)]


def effect_lines(curve: SpecificationCurve) -> list[dict[str, str]]:
    """Return what each option does to the conclusion, as shown."""
    say = Differences.of(curve.unit, curve.smallest_important_difference)
    return [
        {
            "choice": LABELS[effect.choice],
            "option": effect.label,
            "ways": str(effect.rows),
            "holds": _share(effect.fraction),
            "middle": say.signed(effect.median),
        }
        for effect in curve.effects
    ]


def end_lines(curve: SpecificationCurve) -> list[dict[str, str]]:
    """Return the planned answer and those at both ends of the curve, with what differs from the plan."""
    head = curve.headline
    if head is None:
        return []
    say = Differences.of(curve.unit, curve.smallest_important_difference)
    labels = {(c.name, option.name): option.label for c in curve.choices for option in c.options}
    ordered = sorted(curve.answered, key=lambda row: row.estimate if row.estimate is not None else math.inf)
    chosen = [*ordered[:ENDS], *ordered[max(ENDS, len(ordered) - ENDS) :]]
    lines = []
    for row in sorted({row.number: row for row in [*chosen, head]}.values(), key=ordered.index):
        other = [
            f"correlation {option}" if name == "icc" else labels.get((name, option), "does not apply")
            for name, option in row.choices.items()
            if option != head.choices[name] and option != NOT_APPLICABLE
        ]
        lines.append(
            {
                "what": "as planned" if row.headline else "; ".join(other) or "as planned",
                "k": str(row.k),
                "difference": "" if row.estimate is None else say.signed(row.estimate),
                "interval": say.limits(row.interval),
                "holds": "yes" if row.holds else "no",
            }
        )
    return lines


def refusal_lines(curve: SpecificationCurve) -> list[str]:
    """Return the reasons of refused fits with how many share each."""
    counted = Counter(row.reason for row in curve.refused)
    return [f"{count(number, 'way')}: {reason}" for reason, number in counted.most_common()]
