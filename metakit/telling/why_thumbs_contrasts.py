"""Each option against each other within studies: pairs that the plan asks for, and what it does not ask."""

from __future__ import annotations

from metakit.core.written import count, per_100
from metakit.decision.certainty import Certainty
from metakit.measures.kind import COUNTS, MEANS
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES
from metakit.synthesis.findings import AnalysisFinding, PairFinding
from metakit.synthesis.returning.co_procedures import differing_words
from metakit.synthesis.returning.option_contrasts import OptionContrast
from metakit.synthesis.returning.trouble_findings import TroubleFindings
from metakit.synthesis.terms import outcome_term
from metakit.synthesis.words import answer_numbers, lower_first
from metakit.telling.blocks import Block, Cell, Column, Say, Table, Words, folded
from metakit.telling.certainty import level_run
from metakit.telling.facts import Facts
from metakit.telling.option_words import option_words

LEAD = (
    "Every two options that some study holds against each other within itself, as the plan asks, whatever "
    "the answer. Many are looked at together: some lie off by chance alone. A band is a part of each arm: "
    "what was randomised is the whole arm. Why each certainty is what it is stands under “How certain are "
    "the answers”; every number stands in findings.json."
)


def pair_blocks(facts: Facts) -> tuple[Block, ...]:
    """Return the table; nothing where the plan asks for no pairs, or studies hold none."""
    found = facts.findings.pairs
    if not found:
        return ()
    levels = {item.body.analysis: item for item in facts.pairs}
    table = Table(
        caption="Options against each other within studies, as planned",
        columns=(
            Column(name="Compared", share=44),
            Column(name="Outcome", share=30),
            Column(name="Answer", share=50),
            Column(name="Certainty", share=24),
            Column(name="Studies", share=34),
        ),
        rows=tuple(_row(item, levels.get(item.finding.plan.id)) for item in found),
        label="Options against each other, planned",
        look="stacked",
    )
    title = "Each option against each other, and within bands of the angle (planned)"
    return folded(title, (Say(words=LEAD, look="quiet"), table), number=len(found))


def pair_line(facts: Facts, source: str) -> str:
    """Say how many pairs of options of a source are answered beside its other comparisons; "" for none."""
    mine = [item.finding for item in facts.findings.pairs if item.source == source]
    answered = [finding for finding in mine if finding.result is not None]
    if not answered:
        return ""
    levels = {item.body.analysis: item.level_words for item in facts.pairs}
    told = dict.fromkeys(levels[finding.plan.id] for finding in answered if finding.plan.id in levels)
    sure = f", of {' or '.join(told)} certainty" if told else ""
    pairs = count(len(answered), "pair")
    return f"{pairs} of options beside these{sure}: in the table of options against each other"


def _row(item: PairFinding, certainty: Certainty | None) -> tuple[Cell | Words, ...]:
    finding, comparison = item.finding, item.finding.comparison
    if comparison is None:  # pragma: no cover - a pair is a comparison
        raise ValueError(f"{finding.plan.id}: no comparison")
    band = f"{comparison.mp_before} degrees before surgery" if comparison.mp_before else "all thumbs"
    differ = differing_words(finding.co_procedures)
    return (
        Cell(
            words=f"{comparison.technique_label} against {lower_first(comparison.comparator_label)}",
            under=(band,),
        ),
        finding.term.label,
        _answer(finding),
        "–" if certainty is None else Cell(words=level_run(certainty), under=(certainty.status_words,)),
        Cell(
            words=", ".join(study.name for study in finding.numbers),
            under=(_sizes(finding), *([differ] if differ else [])),
        ),
    )


def _answer(finding: AnalysisFinding) -> Cell | Words:
    measure, result, absolute = MEASURES[finding.plan.measure], finding.result, finding.absolute
    if result is None:
        return f"no answer: {option_words(finding.answer.reason)}"
    unit = f" {finding.term.unit}" if measure.kind is MEANS and finding.term.unit else ""
    unit = " percentage points" if measure.name == "risk_difference" else unit
    numbers = answer_numbers(result, measure, natural_values(result, measure, finding.plan.scale), unit)
    if absolute is None or measure.kind is not COUNTS:
        return numbers
    told = f"{per_100(absolute.with_technique)} ({per_100(absolute.lower)} to {per_100(absolute.upper)})"
    if absolute.only_limit:
        limit = "at most" if absolute.only_limit == "upper" else "at least"
        told = f"{limit} {per_100(absolute.with_technique)}"
    return Cell(words=numbers, under=(f"{told} instead of {per_100(absolute.baseline)} of 100",))


def _sizes(finding: AnalysisFinding) -> str:
    """Say how many thumbs stand on each side; of events, how many had one."""
    parts = []
    for place in (0, 1):
        sides = [study.sides[place].numbers for study in finding.numbers]
        total = f"{sum(side.get('total', 0) for side in sides):g}"
        if all("events" in side for side in sides):
            total = f"{sum(side['events'] for side in sides):g} of {total}"
        parts.append(total)
    return f"{parts[0]} against {parts[1]} thumbs"


OUTSIDE = (
    "Every two options that some study holds against each other and the plan does not ask about: all thumbs, "
    "and each band of the MP angle before surgery that reports count by. None was picked for its answer, "
    "nobody judged how certain they are, and of many looked at together some lie off by chance alone. A band "
    "is a part of each arm: what was randomised is the whole arm."
)


def contrast_blocks(trouble: TroubleFindings) -> tuple[Block, ...]:
    """Return the table; nothing where the plan asks about all that studies compare."""
    contrasts = [item for source in trouble.sources for item in source.contrasts]
    if not contrasts:
        return ()
    table = Table(
        caption="Options against each other within studies, outside of the plan",
        columns=(
            Column(name="Compared", share=44),
            Column(name="Outcome", share=30),
            Column(name="Answer", share=50),
            Column(name="Studies", share=34),
        ),
        rows=tuple(_outside_row(item) for item in contrasts),
        label="Options against each other, outside of the plan",
        look="stacked",
    )
    title = "Options against each other, and within bands of the angle (outside of the plan)"
    return folded(title, (Say(words=OUTSIDE, look="quiet"), table), number=len(contrasts))


def _outside_row(item: OptionContrast) -> tuple[Cell | Words, ...]:
    band = f"{item.band} degrees before surgery" if item.band else "all thumbs"
    first, second = item.thumbs
    under = [f"{first} against {count(second, 'thumb')}", *([item.differ] if item.differ else [])]
    return (
        Cell(words=f"{item.option} against {lower_first(item.against)}", under=(band,)),
        outcome_term(item.outcome).label,
        item.answer,
        Cell(words=", ".join(item.studies), under=tuple(under)),
    )
