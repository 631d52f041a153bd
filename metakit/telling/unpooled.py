"""A synthesis without pooling in numbers."""

from __future__ import annotations

from metakit.core.written import fixed, p_value
from metakit.measures.registry import MEASURES
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.without_pooling import shown_effect
from metakit.telling.answer_tables import Fact


def unpooled_facts(finding: AnalysisFinding) -> tuple[Fact, ...]:
    """Return the numbers of a synthesis without pooling as a table; nothing for a pooled analysis."""
    unpooled = finding.unpooled
    if unpooled is None:
        return ()
    numbers = unpooled.numbers
    measure = MEASURES[numbers.measure]
    scale = measure.scale(finding.plan.scale).name
    facts = []
    counts = numbers.directions
    if counts is not None:
        facts += [
            Fact(name=_upper_first(finding.left_words), value=str(counts.below), remark="studies"),
            Fact(name=_upper_first(finding.right_words), value=str(counts.above), remark="studies"),
            Fact(
                name="Without a direction",
                value=str(counts.neither + counts.unknown),
                remark="no difference at all, or no number; not in the share",
            ),
        ]
        if counts.share is not None and counts.interval and counts.wilson and counts.p_value is not None:
            level = f"{100 * numbers.level:g} %"
            low, high = (fixed(100 * limit, 0) for limit in counts.interval)
            other = " to ".join(fixed(100 * limit, 0) for limit in counts.wilson)
            facts += [
                Fact(
                    name=f"Share of the first, {level} interval",
                    value=f"{fixed(100 * counts.share, 0)} % ({low} to {high} %)",
                    remark=f"exact binomial; score interval {other} %",
                ),
                Fact(name="Sign test", value=p_value(counts.p_value), remark="exact, two-sided"),
            ]
    spread = numbers.spread
    if spread is not None:
        unit = measure.unit_for(finding.term.unit)

        def show(value: float) -> str:
            return shown_effect(value, measure, scale)

        label = f"{_upper_first(measure.label)}{f', {unit}' if unit else ''}"
        middle = f"{label}: middle half of the studies"
        facts.append(Fact(name=f"{label}: median", value=show(spread.median), remark=f"{spread.k} studies"))
        if spread.quartiles is not None:
            facts.append(Fact(name=middle, value=" to ".join(map(show, spread.quartiles))))
        facts.append(
            Fact(
                name=f"{label}: lowest and highest", value=f"{show(spread.lowest)} and {show(spread.highest)}"
            )
        )
    words = {"below": finding.left_words, "above": finding.right_words}
    facts += [
        Fact(
            name=f"p values combined: {words[part.side]}",
            value=p_value(part.p_value),
            remark=f"Fisher, {part.df:g} degrees of freedom; at least one study, not most of them",
        )
        for part in numbers.combined
    ]
    return tuple(facts)


def _upper_first(text: str) -> str:
    return text[:1].upper() + text[1:]
