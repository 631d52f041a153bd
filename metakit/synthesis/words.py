"""What an answer means, in plain words: direction first, then per 100 thumbs, then how much studies differ.

The words follow the outcome vocabulary. They never say that something is or is not 'significant', never
compare one verdict with another, and never grade I2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.plans import ComparisonPlan
from metakit.core.results import PoolResult
from metakit.core.written import count, difference_words, per_100
from metakit.measures.kind import COUNTS, RATES, SURVIVAL
from metakit.measures.natural import NaturalValues, natural_values
from metakit.measures.registry import Measure
from metakit.synthesis.answers import AbsoluteEffect
from metakit.synthesis.choices.variations import VariationFact
from metakit.synthesis.terms import OutcomeTerm


@dataclass(frozen=True, slots=True, kw_only=True)
class Directions:
    """What it means that an effect lies below, or above, no difference; `span` names both ends.

    The short forms say it in a word or two, where outcome and technique are named beside them.
    """

    below: str
    above: str
    span: str = ""
    below_short: str = ""
    above_short: str = ""

    def swapped(self) -> Directions:
        """Return the same words for a measure whose larger values mean fewer."""
        start, _, end = self.span.removeprefix("from ").partition(" to ")
        return Directions(
            below=self.above, above=self.below, span=f"from {end} to {start}" if end else self.span,
            below_short=self.above_short, above_short=self.below_short,
        )  # fmt: skip

    def of(self, value: float, null: float) -> str:
        """Return the words for the side on which a value lies."""
        return self.below if value < null else self.above


def lower_first(label: str) -> str:
    """Start a label in the middle of a sentence; abbreviations keep their capitals."""
    return label if len(label) > 1 and label[1].isupper() else label[:1].lower() + label[1:]


def directions(term: OutcomeTerm, comparison: ComparisonPlan, measure: Measure) -> Directions:
    """Say which side of a comparison is which, on the scale of a measure.

    Parameters
    ----------
    term : OutcomeTerm
        The outcome with the direction that is good for the patient.
    comparison : ComparisonPlan
        `technique` is arm 1.
    measure : Measure
        Says whether a larger value means more, or fewer.
    """
    sides = _of_outcome(term, f"after {comparison.technique_label}")
    return sides if measure.larger_means == "more" else sides.swapped()


def _of_outcome(term: OutcomeTerm, after: str) -> Directions:
    """Return less and more of what an outcome counts or measures."""
    if term.kind == "events":
        if term.several:
            return Directions(
                below=f"fewer {term.several} {after}",
                above=f"more {term.several} {after}",
                span="from fewer to more",
                below_short="fewer",
                above_short="more",
            )
        label = lower_first(term.label)
        return Directions(
            below=f"{label} less often {after}",
            above=f"{label} more often {after}",
            span="from less to more often",
            below_short="less often",
            above_short="more often",
        )
    if term.kind == "survival":
        label = lower_first(term.label)
        return Directions(
            below=f"longer {label} {after}",
            above=f"shorter {label} {after}",
            span="from longer to shorter",
            below_short="longer",
            above_short="shorter",
        )
    label = lower_first(term.label)
    low, high = {"lower": (" (better)", " (worse)"), "higher": (" (worse)", " (better)")}.get(
        term.better, ("", "")
    )
    return Directions(
        below=f"lower {label}{low} {after}",
        above=f"higher {label}{high} {after}",
        span="from lower to higher",
        below_short=f"lower{low}",
        above_short=f"higher{high}",
    )


def comparison_sentence(
    result: PoolResult,
    measure: Measure,
    scale: str | None,
    sides: Directions,
    comparison: ComparisonPlan,
    unit: str,
    studies: int | None = None,
) -> str:
    """Tell direction and size of a comparison; an interval that holds no difference points nowhere.

    Parameters
    ----------
    studies : int, optional
        How many studies have numbers here; fewer may enter the pooled one.
    """
    values = natural_values(result, measure, scale)
    k = result.k if studies is None else studies
    numbers = answer_numbers(result, measure, values, unit)
    who = "One study" if k == 1 else f"{count(k, 'study', 'studies')} together"
    if result.k < k:
        who += f" ({result.k} of which can tell a {measure.label})"
    one = k == 1
    if values.lower <= values.null <= values.upper:
        return (
            f"{who} {'leaves' if one else 'leave'} open which it is, {sides.below} or {sides.above_short} "
            f"than after {comparison.comparator_label}: {numbers}. The interval runs {sides.span}."
        )
    side = sides.of(values.lower, values.null)
    near = values.lower if values.lower > values.null else values.upper
    close = values.show(near) == values.show(values.null)
    end = "The whole interval lies on that side" + (", if barely." if close else ".")
    return (
        f"{who} {'points' if one else 'point'} to {side} than after {comparison.comparator_label}: "
        f"{numbers}. {end}"
    )


def answer_numbers(result: PoolResult, measure: Measure, values: NaturalValues, unit: str) -> str:
    """Write estimate and interval, or the one limit that there is where all events are in one arm."""
    level = f"{100 * result.level:g} %"
    if only := result.limit_only:
        word, limit = ("at most", values.upper) if only == "upper" else ("at least", values.lower)
        return (
            f"{measure.label} {word} {values.show(limit)}{unit} ({level} limit; all events are in one arm, "
            "so that there is no estimate)"
        )
    return f"{measure.label} {values.show(values.estimate)}{unit} ({level} interval {values.interval})"


def series_sentence(
    result: PoolResult,
    measure: Measure,
    scale: str | None,
    term: OutcomeTerm,
    techniques: str,
    thumbs: float,
    when: str,
) -> str:
    """Tell how often an outcome was met, or its mean, after one technique."""
    values = natural_values(result, measure, scale)
    level = f"{100 * result.level:g} % interval"
    studies = count(result.k, "series", "series")
    if measure.kind is COUNTS:
        return (
            f"In {studies} with {thumbs:.0f} thumbs, about {per_100(values.estimate)} in 100 had "
            f"{one_of(term)} after {techniques} by {when} "
            f"({level} {per_100(values.lower)} to {per_100(values.upper)})."
        )
    if measure.kind is RATES:
        return (
            f"In {studies} with {thumbs:.0f} thumb-years of follow-up, {one_of(term)} was met "
            f"{values.show(values.estimate)} times in 100 thumb-years after {techniques} ({level} "
            f"{values.interval})."
        )
    if measure.kind is SURVIVAL:
        return (
            f"In {studies} with {thumbs:.0f} thumbs, {lower_first(term.label)} at {when} after {techniques} "
            f"was about {values.show(values.estimate)} in 100 ({level} {values.interval})."
        )
    unit = f" {term.unit}" if term.unit else ""
    return (
        f"In {studies} with {thumbs:.0f} thumbs, the mean of {lower_first(term.label)} at {when} after "
        f"{techniques} was {values.show(values.estimate)}{unit} ({level} {values.interval})."
    )


def absolute_sentence(
    effect: AbsoluteEffect, term: OutcomeTerm, comparison: ComparisonPlan, when: str
) -> str:
    """Tell the effect per 100 thumbs, or per 100 thumb-years, at the comparator's baseline."""
    per_year = effect.unit == "thumb-years"
    when_known = "followed for a year" if per_year else f"by {when}"
    in_or_of = "in" if per_year else "of"
    known = f"{effect.baseline_events:.0f} {in_or_of} {effect.baseline_total:.0f} {effect.unit}"
    told = f"about {per_100(effect.with_technique)} ({per_100(effect.lower)} to {per_100(effect.upper)})"
    if effect.only_limit:
        told = f"{'at most' if effect.only_limit == 'upper' else 'at least'} {per_100(effect.with_technique)}"
    text = (
        f"In 100 thumbs like these {when_known}, about {per_100(effect.baseline)} have {one_of(term)} after "
        f"{comparison.comparator_label} ({known} in the same studies, pooled); after "
        f"{comparison.technique_label} {told}."
    )
    return f"{text} {effect.note}" if effect.note else text


def design_sentence(parts: Sequence[VariationFact], measure: Measure, scale: str | None, unit: str) -> str:
    """Tell the answer of each design group alone, side by side and without a verdict on either."""
    if len(parts) < 2:
        return ""
    told = []
    for part in parts:
        label = f"{lower_first(part.label)} ({len(part.studies)})"
        if part.answer.result is None:
            told.append(f"{label}: no answer")
            continue
        values = natural_values(part.answer.result, measure, scale)
        told.append(f"{label}: {values.told(unit)}")
    return f"By design, {'; '.join(told)}. The answer at the top takes all designs together."


def importance_sentence(
    result: PoolResult,
    measure: Measure,
    effect: AbsoluteEffect | None,
    smallest: float | None,
    sides: Directions,
    unit: str,
) -> str:
    """Hold the interval against the smallest important difference of the protocol, if the units allow it."""
    if smallest is None:
        return ""
    if effect is not None and effect.unit == "thumbs":
        sides = sides if measure.larger_means == "more" else sides.swapped()  # risks are counted, not ratios
        _, lower, upper = effect.difference
        size = f"{smallest:g} per 100 thumbs"
        span = f"{difference_words(0.0, lower, upper, 'per 100')[1]} per 100"
    elif measure.name == "mean_difference":
        values = natural_values(result, measure, None)
        lower, upper = values.lower, values.upper
        size, span = f"{smallest:g}{unit}", f"{difference_words(0.0, lower, upper, unit)[1]}{unit}"
    else:
        return ""
    start = f"The protocol calls a difference of {size} important. The interval, {span},"
    reached = [
        word
        for word, far in ((sides.below_short, lower <= -smallest), (sides.above_short, upper >= smallest))
        if far
    ]
    if not reached:
        return f"{start} holds no difference as large as that."
    if lower >= smallest or upper <= -smallest:
        return f"{start} holds only differences at least as large."
    where = "in both directions" if len(reached) == 2 else f"on the side of “{reached[0]}”"
    return f"{start} reaches that {where}, and holds smaller differences too."


def one_of(term: OutcomeTerm) -> str:
    """Name one occurrence of an outcome, or the outcome, for the middle of a sentence."""
    return term.one or lower_first(term.label)
