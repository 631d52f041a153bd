"""Tables of one answer: its numbers in the order that matters, and the same question under other choices."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from metakit.core.plans import Protocol
from metakit.core.results import PoolResult
from metakit.core.written import fixed, p_value
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES, Measure
from metakit.synthesis.answers import Answer
from metakit.synthesis.choices.sensitivity_kinds import planned_kinds, standing_of
from metakit.synthesis.findings import AnalysisFinding
from metakit.telling.option_words import option_words
from metakit.telling.result_words import how_pooled, method_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One line of the table of an answer."""

    name: str
    value: str
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The answer under one choice; `headline` marks the plan's own, `standing` tells how the others stand."""

    what: str
    measure: str
    studies: str
    estimate: str
    interval: str
    remark: str = ""
    headline: bool = False
    standing: str = ""


def facts_table(finding: AnalysisFinding) -> tuple[Fact, ...]:
    """Return estimate and intervals first, then how much studies differ: tau, prediction, Q, and I2 last."""
    result = finding.result
    if result is None:
        return ()
    measure, scale = MEASURES[finding.plan.measure], finding.plan.scale
    values = natural_values(result, measure, scale)
    level = f"{100 * result.level:g} %"
    facts = [
        Fact(name=_upper_first(measure.label), value=values.show(values.estimate), remark=how_pooled(result)),
        Fact(
            name=f"{level} interval of the mean",
            value=values.interval,
            remark=method_words(result.mean.method),
        ),
    ]
    for other in getattr(result, "other_intervals", ()):
        low, high = (measure.natural_factor * float(result.back_transform(v)) for v in other.interval)
        facts.append(
            Fact(
                name=f"{level} interval by another method",
                value=f"{values.show(low)} to {values.show(high)}",
                remark=method_words(other.method),
            )
        )
    if result.mean.p_value is not None and measure.comparative:
        facts.append(Fact(name="Test of no difference", value=p_value(result.mean.p_value)))
    return (*facts, *_spread(result, values.prediction, values.show, measure, scale))


def choices_table(finding: AnalysisFinding, protocol: Protocol) -> tuple[Choice, ...]:
    """Return the planned answer, each design group alone, and the answers under other choices.

    The protocol says which of them were planned: its subgroups, sensitivity analyses and specifications.
    """
    if not finding.numbers or finding.plan.without_pooling:
        return ()
    planned = choice_row(
        "as planned" + (", all designs together" if len(finding.by_design) > 1 else ""),
        finding.plan.measure,
        finding.answer,
        finding.plan.scale,
        headline=True,
        standing="planned",
    )
    rows = [planned]
    kinds = planned_kinds(protocol)
    if len(finding.by_design) > 1:
        rows += [
            choice_row(
                f"{part.label[:1].lower()}{part.label[1:]} alone",
                finding.plan.measure,
                part.answer,
                finding.plan.scale,
                standing=_design_standing(finding, protocol),
            )
            for part in finding.by_design
        ]
    rows += [
        choice_row(
            row.label, row.measure, row.answer, finding.plan.scale, standing=standing_of(row.name, kinds)
        )
        for row in finding.sensitivity
    ]
    return tuple(rows) if len(rows) > 1 else ()


def choice_row(
    what: str,
    measure_name: str,
    answer: Answer,
    scale: str | None,
    *,
    headline: bool = False,
    standing: str = "",
) -> Choice:
    """Return one line of a table of answers: the answer in natural units, or why there is none."""
    measure = MEASURES[measure_name]
    result = answer.result
    if result is None:
        return Choice(
            what=what,
            measure=measure.label,
            studies="–",
            estimate="–",
            interval="–",
            remark=option_words(answer.reason),
            headline=headline,
            standing=standing,
        )
    values = natural_values(result, measure, scale)
    return Choice(
        what=what,
        measure=measure.label,
        studies=str(result.k),
        estimate=values.show(values.estimate),
        interval=values.interval,
        remark="" if result.converged else "did not settle",
        headline=headline,
        standing=standing,
    )


def _design_standing(finding: AnalysisFinding, protocol: Protocol) -> str:
    """Say whether the protocol asked beforehand for each design apart, in words or as an exploration."""
    entries = protocol.fields.get("subgroups") or ()
    named = any(str(entry).partition(":")[0].strip() == "design" for entry in entries)
    asked = any(
        item.planned and any(column.name == "design_group" for column in item.moderators)
        for item in finding.explorations
    )
    return "planned" if named or asked else "exploratory"


def _spread(
    result: PoolResult,
    prediction: tuple[float, float] | None,
    show: Callable[[float], str],
    measure: Measure,
    scale: str | None,
) -> list[Fact]:
    het = result.heterogeneity
    level = f"{100 * result.level:g} %"
    facts = []
    if het.tau2 is not None:
        around = ""
        if het.tau2_interval:
            low, high = (math.sqrt(max(limit, 0.0)) for limit in het.tau2_interval)
            around = f"{low:.2f} to {fixed(high, 2)} ({level} interval)"
        where = measure.scale(scale).name
        facts.append(
            Fact(
                name="Spread between studies (tau)"
                + ("" if where == "identity" else f", {where.replace('_', ' ')} scale"),
                value=f"{math.sqrt(het.tau2):.2f}",
                remark=around,
            )
        )
    if prediction:
        facts.append(
            Fact(
                name=f"{level} prediction interval",
                value=f"{show(prediction[0])} to {show(prediction[1])}",
                remark="where a new centre's own effect is expected",
            )
        )
    if het.q:
        facts.append(
            Fact(
                name="Q",
                value=f"{het.q.value:.1f}",
                remark=f"{het.q.df:g} degrees of freedom, {p_value(het.q.p_value)}",
            )
        )
    if het.i2 is not None:
        around = (
            f"{100 * het.i2_interval.lower:.0f} to {100 * het.i2_interval.upper:.0f} %"
            if het.i2_interval
            else ""
        )
        facts.append(Fact(name="I²", value=f"{100 * het.i2:.0f} %", remark=around))
    return facts


def _upper_first(text: str) -> str:
    return text[:1].upper() + text[1:]
