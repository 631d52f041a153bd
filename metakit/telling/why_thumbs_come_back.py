"""Why thumbs come back: the sources of trouble on one screen, then pictures and details."""

from __future__ import annotations

from metakit.core.written import listed, per_100
from metakit.decision.certainty import Certainty
from metakit.decision.summary import SummaryRow, summary_tables
from metakit.measures.kind import COUNTS, MEANS
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.source_options import sources
from metakit.synthesis.returning.causes_words import (
    CAUTION,
    counted_words,
    estimate_words,
    head_sentence,
    kind_of_interval,
    limits_words,
    overlap_sentence,
    rate_words,
)
from metakit.synthesis.returning.trouble_findings import FoundShare, SourceFinding, TroubleFindings
from metakit.synthesis.words import answer_numbers, lower_first
from metakit.telling.blocks import Block, Cell, Column, Picture, Run, Say, Table, Words, points
from metakit.telling.certainty import level_run
from metakit.telling.facts import Facts
from metakit.telling.option_certainty import certainty_by_cell
from metakit.telling.proportions import added_words, proportion_words
from metakit.telling.returns_reported import report_blocks
from metakit.telling.why_thumbs_contrasts import contrast_blocks, pair_blocks, pair_line
from metakit.telling.why_thumbs_details import angle_blocks, cause_blocks, single_arm_blocks
from metakit.telling.why_thumbs_map import map_blocks

COLUMNS = (
    Column(name="Source of trouble", share=28),
    Column(name="Found and treated", share=34),
    Column(name="Reason to return", share=34),
    Column(name="What treating it changed", share=48),
    Column(name="Not known", share=30),
)


def why_thumbs_blocks(facts: Facts) -> tuple[Block, ...]:
    """Return the section; nothing where no record says anything of it."""
    trouble = facts.findings.trouble
    if trouble is None or not trouble.told:
        return ()
    return (
        *_lead(trouble),
        _screen(trouble, facts),
        *points((*_cautions(trouble), CAUTION), look="caution", label="Cautions on why thumbs come back"),
        Picture(name="causes-of-return"),
        Picture(name="mp-angles"),
        *cause_blocks(trouble),
        *angle_blocks(trouble),
        *pair_blocks(facts),
        *contrast_blocks(trouble),
        *map_blocks(trouble, certainty_by_cell(facts.findings, facts.certainties)),
        *single_arm_blocks(trouble),
        *report_blocks(trouble),
    )


def _lead(trouble: TroubleFindings) -> tuple[Block, ...]:
    causes = trouble.returns.causes
    if causes is None:
        return (Say(words=f"Causes of return are not pooled: {trouble.returns.reason}."),)
    result = causes.overall
    named = [source.cause for source in trouble.sources if source.cause is not None]
    parts = [f"{lower_first(answer.label)} {estimate_words(answer.share)}" for answer in named]
    among = "whose cause is stated" if result.not_stated else "that come back"
    sentence = f"Of 100 thumbs {among}: {listed(parts)}." if parts else ""
    return (
        Say(words=f"{head_sentence(result)} {sentence}".strip(), look="answer"),
        Say(
            words=(
                f"{overlap_sentence(result)} {kind_of_interval(result)}".strip(),
                Run(cites=result.references),
            ),
            look="quiet",
        ),
    )


def _screen(trouble: TroubleFindings, facts: Facts) -> Table:
    return Table(
        caption="Each source of trouble: how often found, treated and a reason to return, and what is known",
        columns=COLUMNS,
        rows=tuple(_row(source, facts) for source in trouble.sources),
        label="Sources of trouble on one screen",
        look="stacked",
    )


def _row(source: SourceFinding, facts: Facts) -> tuple[Cell | Words, ...]:
    return (
        source.label,
        _lines([share_words(share) for share in source.shares if share.role != "looked_for"], "not told"),
        _reason(source, facts),
        _changed(source, facts),
        _lines(_unknown(source, facts), "–"),
    )


def _lines(texts: list[str] | list[Words], empty: str) -> Cell | Words:
    return Cell(words=texts[0], under=tuple(texts[1:])) if texts else empty


def share_words(share: FoundShare) -> str:
    """Say how often something was found or done: in a typical study, and in all thumbs added up.

    The two are different numbers, and a reader who divides must find the second.
    """
    added = added_words(share.thumbs, share.total, len(share.studies), share.result)
    if share.result is None:
        return f"{share.label}: {added}"
    return f"{share.label}: in a typical study {proportion_words(share.result)} of 100; {added}"


def _reason(source: SourceFinding, facts: Facts) -> Cell | Words:
    answer, trouble = source.cause, facts.findings.trouble
    causes = trouble.returns.causes if trouble is not None else None
    if answer is None or causes is None:
        return "no return for it is told"
    typical = "in a typical study " if causes.overall.k > 1 else ""
    lines = [f"{typical}{estimate_words(answer.share)} of 100 thumbs that come back"]
    if answer.share.prediction is not None:
        lines.append(f"in a new centre {limits_words(answer.share.prediction)}")
    if answer.share_if_none and answer.share_if_all:
        lines.append(
            f"{per_100(100 * answer.share_if_none.median)} if none, "
            f"{per_100(100 * answer.share_if_all.median)} if all of those without a stated cause came for it"
        )
    sizes = ((answer.per_thumb, "of 100 operated"), (answer.per_thumb_year, "per 100 thumb-years"))
    rates = [f"{rate_words(rate)} {size}" for rate, size in sizes if rate is not None]
    if rates:
        lines.append("; ".join(rates))
    lines.append(counted_words(answer, causes.overall))
    return _lines(lines, "")


def _answers(source: SourceFinding, facts: Facts) -> list[tuple[AnalysisFinding, Certainty | None]]:
    certainties = {item.body.analysis: item for item in facts.certainties}
    return [
        (finding, certainties.get(finding.plan.id))
        for finding in facts.findings.analyses
        if finding.plan.id in source.analyses and finding.result is not None
    ]


def _changed(source: SourceFinding, facts: Facts) -> Cell | Words:
    """Say what each planned comparison within studies answers: per 100 thumbs, interval, certainty."""
    tables = summary_tables(facts.findings, facts.certainties)
    summaries = {row.analysis: row for table in tables for row in table.rows}
    lines: list[Words] = []
    for finding, certainty in _answers(source, facts):
        name = facts.names.analyses[finding.plan.id]
        sure: tuple[str | Run, ...] = ()
        if certainty is not None:
            sure = (" Certainty: ", level_run(certainty), f" ({certainty.status_words}).")
        link = Run(text=name.label, to=name.anchor)
        lines.append((link, f", {_answer_words(finding, summaries.get(finding.plan.id))}.", *sure))
    if further := pair_line(facts, source.source):
        lines.append(further)
    if not lines:
        asked = "no planned comparison has an answer" if source.analyses else "no comparison was planned"
        return f"{asked[:1].upper()}{asked[1:]}; single arms are not set against each other."
    return _lines(lines, "")


def _answer_words(finding: AnalysisFinding, row: SummaryRow | None) -> str:
    """Say one answer in the numbers of the summary of findings: both sides, then the effect."""
    comparison, measure, result = finding.comparison, MEASURES[finding.plan.measure], finding.result
    if comparison is None or result is None:
        raise ValueError(f"{finding.plan.id}: no answered comparison")
    unit = f" {finding.term.unit}" if measure.kind is MEANS and finding.term.unit else ""
    if measure.name == "risk_difference":
        unit = " percentage points"
    values = natural_values(result, measure, finding.plan.scale)
    numbers = answer_numbers(result, measure, values, unit)
    open_ = " (either way is open)" if _is_open(finding) else ""
    within = f", {comparison.mp_before} degrees before surgery" if comparison.mp_before else ""
    label = f"{comparison.technique_label} against {comparison.comparator_label}{within}"
    base = row.baselines[0] if row and row.baselines else None
    if base is None or not base.with_comparator or not base.with_technique:
        return f"{label}: {numbers}{open_}"
    of = " of 100" if measure.kind is COUNTS else unit
    without = base.with_comparator.partition(" (")[0]
    return f"{label}: {base.with_technique} instead of {without}{of}; {numbers}{open_}"


def _is_open(finding: AnalysisFinding) -> bool:
    """Say whether the interval of an answer holds no difference."""
    if finding.result is None:
        return True
    values = natural_values(finding.result, MEASURES[finding.plan.measure], finding.plan.scale)
    return values.lower <= values.null <= values.upper


def _unknown(source: SourceFinding, facts: Facts) -> list[str]:
    answered = {finding.plan.id for finding, _ in _answers(source, facts)}
    open_questions = [
        f"no answer: {_about(finding)}"
        for finding in facts.findings.analyses
        if finding.plan.id in source.analyses and finding.plan.id not in answered
    ]
    told = _answers(source, facts)
    settled = {finding.term.label for finding, _ in told if not _is_open(finding)}
    still = dict.fromkeys(finding.term.label for finding, _ in told if finding.term.label not in settled)
    if still:
        open_questions.append(f"compared, and still open: {listed([lower_first(label) for label in still])}")
    never = [lower_first(text) for text in source.not_studied]
    if never:
        open_questions.append(f"never compared within a study: {listed(never)}")
    return open_questions


def _about(finding: AnalysisFinding) -> str:
    asked = f"{finding.comparison.label}, " if finding.comparison else ""
    return asked + lower_first(finding.term.label)


def _cautions(trouble: TroubleFindings) -> tuple[str, ...]:
    told = {source.source for source in trouble.sources}
    return tuple(source.caution for source in sources() if source.id in told and source.caution)
