"""Studies of one analysis put together without pooling, in words: what they say and what that cannot tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from metakit.core.effects import EffectTable
from metakit.core.plans import ComparisonPlan
from metakit.core.written import count, fixed, listed, p_value, ratio
from metakit.errors import MetakitError
from metakit.measures.registry import Measure
from metakit.models.without_pooling import FEWEST, WithoutPooling, without_pooling
from metakit.synthesis.gathering.rows import MissingRow

if TYPE_CHECKING:
    from metakit.synthesis.words import Directions

FEWEST_FOR_A_TEST = 6
"""With fewer directions even a unanimous count is met by chance more than once in twenty: 2 / 2^5 = 0.06."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnpooledFinding:
    """A synthesis without pooling: why nothing was pooled, the numbers, the words, and their limits.

    `planned` says that the protocol refused pooling; otherwise it was not possible.
    """

    why: str
    planned: bool
    numbers: WithoutPooling
    sentences: tuple[str, ...]
    cannot_tell: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the synthesis as JSON."""
        return {
            **self.numbers.to_json(),
            "why": self.why,
            "planned": self.planned,
            "sentences": list(self.sentences),
            "cannot_tell": list(self.cannot_tell),
        }


def unpooled_finding(
    table: EffectTable | None,
    measure: Measure,
    *,
    planned: str,
    why: str,
    level: float,
    unit: str,
    sides: Directions,
    comparison: ComparisonPlan | None,
    missing: Sequence[MissingRow] = (),
) -> UnpooledFinding | None:
    """Put the studies of an analysis without a pooled answer together; None with fewer than two of them.

    Parameters
    ----------
    table : EffectTable or None
        Of all studies with numbers.
    measure : Measure
        Of the analysis.
    planned : str
        The protocol's reason for not pooling, "" where pooling was not possible for the reason `why`.
    level, unit, sides, comparison
        As the analysis has them; `comparison` is None for series.
    missing : sequence of MissingRow
        Studies of the question that gave no number.
    """
    if table is None or len(table) < FEWEST:
        return None
    try:
        numbers = without_pooling(table, level=level)
    except MetakitError:
        return None
    reason = (planned or why).strip().rstrip(".")
    effects = _spread_words(numbers, measure, table.scale, unit)
    if comparison is None:
        first = f"Not pooled: {reason}. {effects or 'No study has an effect of its own.'}"
        said: tuple[str, ...] = (first,)
    else:
        first = f"Not pooled: {reason}. Synthesis without pooling: {_votes(numbers, sides, comparison)}"
        said = tuple(
            text
            for text in (first, _share_words(numbers, sides), effects, _combined_words(numbers, sides))
            if text
        )
    return UnpooledFinding(
        why=reason,
        planned=bool(planned),
        numbers=numbers,
        sentences=said,
        cannot_tell=_limits(numbers, missing),
    )


def _votes(numbers: WithoutPooling, sides: Directions, comparison: ComparisonPlan) -> str:
    counts = numbers.directions
    if counts is None or not counts.counted:
        return "no study has a direction."
    told = sorted(
        [(counts.below, sides.below), (counts.above, sides.above)], key=lambda item: item[0], reverse=True
    )
    (most, side), (fewer, other) = told
    lie = "lies" if most == 1 else "lie"
    where = f"{lie} on the side of {side} than after {comparison.comparator_label}"
    studies = count(counts.counted, "study", "studies")
    if not fewer:
        text = f"{'the' if most == 1 else 'all'} {studies} with a direction {where}"
    else:
        text = f"of {studies} with a direction, {most} {where} and {fewer} on that of {other}"
    rest = [
        f"{number} {one if number == 1 else several}"
        for number, one, several in (
            (counts.neither, "shows no difference at all", "show no difference at all"),
            (counts.unknown, "has no direction on this measure", "have no direction on this measure"),
        )
        if number
    ]
    return f"{'; '.join([text, *rest])}."


def _share_words(numbers: WithoutPooling, sides: Directions) -> str:
    counts = numbers.directions
    if counts is None or counts.share is None or counts.interval is None or counts.p_value is None:
        return ""
    share, (low, high) = counts.share, counts.interval
    words = sides.below_short
    if counts.above > counts.below:
        share, low, high, words = 1 - share, 1 - high, 1 - low, sides.above_short
    level = f"{100 * numbers.level:g} % exact interval {fixed(100 * low, 0)} to {fixed(100 * high, 0)} %"
    text = (
        f"On the side of “{words}” lie {fixed(100 * share, 0)} % of them ({level}; sign test "
        f"{p_value(counts.p_value)}): if either direction were equally likely, a count at least as uneven "
        f"would be met with that probability."
    )
    if counts.counted < FEWEST_FOR_A_TEST:
        studies = count(counts.counted, "study", "studies")
        text += f" With {studies} not even a unanimous count could rule chance out."
    return text


def _spread_words(numbers: WithoutPooling, measure: Measure, scale: str, unit: str) -> str:
    spread = numbers.spread
    if spread is None:
        return ""

    def show(value: float) -> str:
        return shown_effect(value, measure, scale)

    label = measure.label
    text = (
        f"The {label} of the {count(spread.k, 'study', 'studies')} runs from {show(spread.lowest)} to "
        f"{show(spread.highest)}{unit}; the median is {show(spread.median)}{unit}"
    )
    if spread.quartiles is not None:
        low, high = spread.quartiles
        text += f" (middle half of the studies {show(low)} to {show(high)})"
    return f"{text}. These are ranges of studies, not intervals of a mean."


def _combined_words(numbers: WithoutPooling, sides: Directions) -> str:
    if not numbers.combined:
        return ""
    below, above = numbers.combined
    return (
        f"Fisher's combination of the studies' one-sided p values: for “{sides.below_short}” "
        f"{p_value(below.p_value)}, for “{sides.above_short}” {p_value(above.p_value)} "
        f"({below.df:g} degrees of freedom). A small value says that there is an effect on that side in at "
        f"least one study, not in most of them, and not how large."
    )


def shown_effect(value: float, measure: Measure, scale: str) -> str:
    """Show one effect of a study in the units of its measure."""
    if measure.scale(scale).axis == "log":
        return ratio(value)
    return fixed(measure.natural_factor * value, 1 if measure.natural_factor > 1 else 2)


def _limits(numbers: WithoutPooling, missing: Sequence[MissingRow]) -> tuple[str, ...]:
    found = [
        "How large the effect is: there is no mean effect and no interval for one.",
        "Whether the difference matters to a patient: a direction is counted however small the difference.",
        "Anything by weight: a small study counts as much as a large one, and one at high risk of bias as "
        "much as one at low.",
        "How far a new centre may differ: the range is that of these studies, and grows with their number.",
    ]
    if numbers.directions is None:
        del found[1]
    if missing:
        names = listed([row.study for row in missing])
        found.append(
            f"What the studies without a number would add: {names}. Where results were left out because of "
            f"what they were, the count is one-sided."
        )
    return tuple(found)
