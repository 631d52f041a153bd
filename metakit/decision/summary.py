"""The summary of findings as plain texts, the same for the page, the Word table and the CSV file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from metakit.core.written import count, difference_words, fixed, interval_decimals, per_100, ratio, signed
from metakit.decision.absolute import AbsoluteDifference
from metakit.decision.certainty import Certainty
from metakit.decision.evidence import EvidenceBody
from metakit.decision.fragile import fragility_line
from metakit.decision.statements import statement
from metakit.decision.summary_facts import (
    beside_counts,
    comparator_mean,
    designs_of,
    participants_of,
    when_of,
)
from metakit.measures.registry import MEASURES
from metakit.synthesis.findings import AnalysisFinding, Findings

MOST_OUTCOMES = 7
"""A table of more outcomes is not read (Cochrane Handbook 14.1.2)."""
PER_100 = "per 100"
_RANKS = {"critical": 0, "important": 1, "not_important": 2}
KINDS = {
    "comparator_arms": "comparator arms of the same studies, pooled",
    "registry": "registry",
    "unit_audit": "the unit's own audit",
    "published_cohort": "published cohort",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRow:
    """An outcome at one baseline. `difference` holds the baseline fixed, `both` carries its uncertainty."""

    baseline: str
    source: str
    with_comparator: str
    with_technique: str
    difference: str
    both: str
    needed: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryRow:
    """One outcome of one comparison.

    `designs` are the answers of each design alone, trials first; `reasons` are why the certainty is not high,
    `marks` the letters of the table's footnotes that say so; `remarks` tell of time and of other counts;
    `fragility` says in one line what the answer hangs on.
    """

    analysis: str
    outcome: str
    when: str
    rank: str
    participants: str
    relative: str
    unit: str
    baselines: tuple[BaselineRow, ...]
    probability: str
    certainty: Certainty
    statement: str
    reasons: tuple[str, ...]
    designs: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    fragility: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryTable:
    """One comparison; `left_out` names outcomes beyond the seventh, `unanswered` those without an answer."""

    comparison: str
    technique: str
    comparator: str
    rows: tuple[SummaryRow, ...]
    left_out: tuple[str, ...] = ()
    unanswered: tuple[tuple[str, str], ...] = ()
    footnotes: tuple[tuple[str, str], ...] = ()


def summary_tables(findings: Findings, certainties: Sequence[Certainty]) -> tuple[SummaryTable, ...]:
    """Return one table a comparison: critical outcomes first, at most seven.

    Parameters
    ----------
    findings : Findings
    certainties : sequence of Certainty
        Of `all_certainties`.
    """
    known = {item.body.analysis: item for item in certainties}
    tables = []
    for plan in findings.protocol.comparisons:
        found = [
            item
            for item in findings.analyses
            if item.comparison is not None and item.comparison.id == plan.id
        ]
        answered = sorted(
            (item for item in found if item.plan.id in known),
            key=lambda item: _RANKS[item.outcome_plan.importance],
        )
        outcomes = list(dict.fromkeys(item.term.id for item in answered))
        kept = set(outcomes[:MOST_OUTCOMES])
        bodies = [(item, known[item.plan.id].body) for item in answered]
        rows, footnotes = _with_marks(
            [
                replace(
                    _row(item, known[item.plan.id], bodies),
                    fragility=fragility_line(item, findings.protocol),
                )
                for item in answered
                if item.term.id in kept
            ]
        )
        if not found:
            continue
        tables.append(
            SummaryTable(
                comparison=plan.label,
                technique=plan.technique_label,
                comparator=plan.comparator_label,
                rows=rows,
                footnotes=footnotes,
                left_out=tuple(
                    dict.fromkeys(item.term.label for item in answered if item.term.id not in kept)
                ),
                unanswered=tuple(
                    (item.term.label, _why_unanswered(item)) for item in found if item.result is None
                ),
            )
        )
    return tuple(tables)


def absolute_notes(tables: Sequence[SummaryTable]) -> tuple[str, ...]:
    """Return what the absolute effects of all tables rest on, each once."""
    notes = (note for table in tables for row in table.rows for base in row.baselines for note in base.notes)
    return tuple(dict.fromkeys(notes))


def _why_unanswered(finding: AnalysisFinding) -> str:
    """Say why there is no pooled answer and, where studies speak without one, what they say."""
    if finding.unpooled is None:
        return finding.answer.reason
    first = finding.unpooled.sentences[0].rstrip(".")
    return first[:1].lower() + first[1:]


def _with_marks(rows: Sequence[SummaryRow]) -> tuple[tuple[SummaryRow, ...], tuple[tuple[str, str], ...]]:
    """Give each reason of a table a letter, the same reason the same one, in the order of first need."""
    reasons = list(dict.fromkeys(reason for row in rows for reason in row.reasons))
    letters = {reason: letter_of(number) for number, reason in enumerate(reasons)}
    marked = tuple(replace(row, marks=tuple(letters[reason] for reason in row.reasons)) for row in rows)
    return marked, tuple((letters[reason], reason) for reason in reasons)


def letter_of(number: int) -> str:
    """Return the letter of a footnote: a to z, then aa, ab.

    Examples
    --------
    >>> letter_of(0), letter_of(25), letter_of(26)
    ('a', 'z', 'aa')
    """
    found = ""
    while number >= 0:
        number, place = number // 26 - 1, number % 26
        found = chr(ord("a") + place) + found
    return found


def _row(
    finding: AnalysisFinding,
    certainty: Certainty,
    others: Sequence[tuple[AnalysisFinding, EvidenceBody]],
) -> SummaryRow:
    body = certainty.body
    when, wide = when_of(finding)
    return SummaryRow(
        analysis=body.analysis,
        outcome=body.outcome,
        when=when,
        rank=body.importance.replace("_", " "),
        participants=participants_of(finding),
        relative=_relative(body),
        unit=body.unit,
        baselines=tuple(_baseline(item) for item in body.absolute) or _difference_alone(finding, body),
        probability=_probability(body),
        certainty=certainty,
        statement=statement(body, certainty.level),
        reasons=tuple(_reason(line.proposal.domain, line.levels, line.proposal.reason, line.because)
                      for line in certainty.lowered),
        designs=designs_of(finding),
        remarks=tuple(
            text for text in (wide, *body.refused, beside_counts(finding, body, others)) if text
        ),
    )  # fmt: skip


def _relative(body: EvidenceBody) -> str:
    label = MEASURES[body.measure].label
    begun = f"{label[:1].upper()}{label[1:]}"
    if body.ratio is None:
        # A difference on an absolute scale stands in its own column.
        estimate, low, high = body.effect
        told, limits = difference_words(estimate, low, high, body.unit)
        return "–" if body.difference is not None else f"{begun} {told} ({limits})"
    estimate, low, high = body.ratio
    if body.only_limit:
        return f"{begun} {'at most' if body.only_limit == 'upper' else 'at least'} {ratio(estimate)}"
    return f"{begun} {ratio(estimate)} ({ratio(low)} to {ratio(high)})"


def _baseline(found: AbsoluteDifference) -> BaselineRow:
    base = found.baseline
    counted = f"{base.events:g} in {base.total:.0f} {base.unit}"
    low, high = found.with_technique_interval
    only = {"upper": "at most", "lower": "at least"}.get(found.only_limit, "")
    difference, fixed_limits = difference_words(
        100 * found.difference, 100 * found.fixed[0], 100 * found.fixed[1], PER_100
    )
    kind = KINDS[base.kind]
    label = kind if base.kind == "comparator_arms" else f"{kind}: {base.label}"
    return BaselineRow(
        baseline=label,
        source=f"{counted}{'; ' + base.source if base.source else ''}",
        with_comparator=_with(base.value, base.lower, base.upper),
        with_technique=f"{only} {per_100(100 * found.with_technique)}"
        if only
        else _with(found.with_technique, low, high),
        difference=f"{only} {difference}" if only else f"{difference} ({fixed_limits})",
        both=difference_words(0.0, 100 * found.both[0], 100 * found.both[1], PER_100)[1],
        needed=_needed(found),
        notes=found.notes,
    )


def _needed(found: AbsoluteDifference) -> str:
    """Write the number needed to treat, nothing where its interval runs through infinity."""
    if found.only_limit or found.needed.through_infinity or math.isinf(found.needed.value):
        return ""
    return f"{found.needed}{', in thumb-years' if found.baseline.per_year else ''}"


def _difference_alone(finding: AnalysisFinding, body: EvidenceBody) -> tuple[BaselineRow, ...]:
    """Return the difference without a baseline of events; for means, beside the comparator's own."""
    if body.difference is None:
        return ()
    estimate, low, high = body.difference
    mean = comparator_mean(finding)
    limits = [estimate, low, high] if mean is None else [mean[0] + part for part in (estimate, low, high)]
    told = difference_words(estimate, low, high, body.unit)
    digits = interval_decimals(low, high, fewest=0 if body.unit.startswith(PER_100) else 1)
    shown = [fixed(value, digits) for value in limits]
    return (
        BaselineRow(
            baseline="" if mean is None else "mean of the comparator arms, by thumbs",
            source=""
            if mean is None
            else f"{fixed(mean[1], digits)} to {fixed(mean[2], digits)} in the studies",
            with_comparator="" if mean is None else fixed(mean[0], digits),
            with_technique="" if mean is None else f"{shown[0]} ({shown[1]} to {shown[2]})",
            difference=f"{told[0]} ({told[1]}) {body.unit}".strip(),
            both="",
            needed="",
        ),
    )


def _with(value: float, low: float, high: float) -> str:
    return f"{per_100(100 * value)} ({per_100(100 * low)} to {per_100(100 * high)})"


def _probability(body: EvidenceBody) -> str:
    if body.exceeding is None or body.thresholds is None:
        return ""
    fewer, more = (_percent(share) for share in body.exceeding)
    words = ("fewer", "more") if body.events is not None else ("lower", "higher")
    size = f"{signed(body.thresholds.smallest).removeprefix('+')} {body.unit}".strip()
    kind = (
        "Posterior probability" if body.basis == "posterior" else "Confidence (not a posterior probability)"
    )
    return f"{kind} of at least {size} {words[0]}: {fewer}; {words[1]}: {more}."


def _percent(share: float) -> str:
    if math.isnan(share):
        raise ValueError("a probability is never NaN")
    if share < 0.005:
        return "below 1 %"
    return "above 99 %" if share > 0.995 else f"{100 * share:.0f} %"


def _reason(domain: str, levels: int, reason: str, because: str) -> str:
    move = f"{'lowered' if levels < 0 else 'raised'} by {count(abs(levels), 'level')}"
    return f"{domain.replace('_', ' ').capitalize()}, {move}: {because or reason}"
