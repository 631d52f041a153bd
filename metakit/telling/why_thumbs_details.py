"""The details of why thumbs come back: every cause, MP angles, each option by itself."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.causes import CauseAnswer, CausesResult, Estimate
from metakit.core.results import PoolResult
from metakit.core.written import count, fixed
from metakit.synthesis.returning.causes_words import (
    counted_words,
    draws_sentence,
    estimate_words,
    limits_words,
    model_beside,
    overlap_sentence,
    rate_limits_words,
    rate_words,
    spread_sentence,
)
from metakit.synthesis.returning.trouble_findings import (
    AngleChange,
    OverLimit,
    RecurrenceRow,
    TroubleFindings,
)
from metakit.synthesis.terms import outcome_term
from metakit.telling.blocks import Block, Cell, Column, Say, Table, Words, folded, points
from metakit.telling.proportions import added_words, proportion_words


def cause_blocks(trouble: TroubleFindings) -> tuple[Block, ...]:
    """Return every cause in one table, and one each technique, folded."""
    causes = trouble.returns.causes
    if causes is None:
        return ()
    blocks: list[Block] = [
        _causes_table(causes.overall, "All techniques together"),
        *_said(causes.overall),
    ]
    by_technique: list[Block] = []
    for result in causes.by_technique:
        by_technique += [
            _causes_table(result, result.technique), *_said(result, causes.overall.notes),
        ]  # fmt: skip
    if by_technique:
        by_technique.append(
            Say(
                words="Techniques rest on different studies: these differences are not effects.", look="quiet"
            )
        )
        blocks += folded("Causes after each technique", by_technique, number=len(causes.by_technique))
    lived = trouble.lived_with.causes
    if lived is not None:
        table = _causes_table(lived.overall, "Trouble that was lived with, without an operation")
        said = _said(lived.overall, causes.overall.notes)
        blocks += folded("Trouble lived with, without an operation", (table, *said))
    return folded("Every cause, and how often it occurs", blocks, number=len(causes.overall.causes))


def _causes_table(result: CausesResult, caption: str) -> Table:
    rated = [rate for answer in result.causes for rate in (answer.per_thumb, answer.per_thumb_year) if rate]
    columns = [Column(name="Cause", share=40), Column(name="Of 100 thumbs that come back", share=40)]
    columns.append(Column(name="In a new centre", share=24))
    if result.not_stated:
        columns.append(Column(name="If none, or all, of those without a stated cause", share=40))
    if rated:
        columns.append(Column(name="Of 100 operated", share=28))
        columns.append(Column(name="Per 100 thumb-years", share=28))
    rows = [_cause_row(answer, result, bool(rated)) for answer in result.causes]
    if rated:
        rows += _whole_rows(result)
    return Table(
        caption=caption, columns=tuple(columns), rows=tuple(rows), label=f"Causes of return: {caption}",
        look="stacked",
    )  # fmt: skip


def _cause_row(answer: CauseAnswer, result: CausesResult, rated: bool) -> tuple[Cell | Words, ...]:
    ahead = answer.share.prediction or answer.share.wider
    row: list[Cell | Words] = [
        Cell(words=answer.label, under=(counted_words(answer, result),)),
        _share_cell(answer, result),
        limits_words(ahead) if ahead else "–",
    ]
    if result.not_stated:
        bounds = [bound for bound in (answer.share_if_none, answer.share_if_all) if bound is not None]
        row.append("; ".join(estimate_words(bound) for bound in bounds) or "–")
    if rated:
        row += [_rate(answer.per_thumb), _rate(answer.per_thumb_year)]
    return tuple(row)


def _share_cell(answer: CauseAnswer, result: CausesResult) -> Cell:
    wider, beside = answer.share_with_overlapping, answer.share_beside
    under = [f"with overlapping causes {estimate_words(wider)}"] if wider else []
    if beside is not None:
        under.append(f"{model_beside(result)} {estimate_words(beside)}")
    return Cell(words=estimate_words(answer.share), under=tuple(under))


def _whole_rows(result: CausesResult) -> list[tuple[Cell | Words, ...]]:
    rows: list[tuple[Cell | Words, ...]] = []
    filler = ("–",) * (3 if result.not_stated else 2)
    if result.not_stated_per_thumb or result.not_stated_per_thumb_year:
        rates = (_rate(result.not_stated_per_thumb), _rate(result.not_stated_per_thumb_year))
        rows.append(("Cause not stated", *filler, *rates))
    rows.append(("All causes", *filler, _rate(result.all_per_thumb), _rate(result.all_per_thumb_year)))
    return rows


def _rate(estimate: Estimate | None) -> Cell | Words:
    if estimate is None:
        return "–"
    return Cell(
        words=rate_words(estimate),
        under=(f"new centre {rate_limits_words(estimate.prediction)}",) if estimate.prediction else (),
    )


def _said(result: CausesResult, said: Sequence[str] = ()) -> tuple[Block, ...]:
    """Say what holds of one table, but for notes that were said of another one before."""
    notes = [note for note in result.notes if note not in said]
    lines = [overlap_sentence(result), spread_sentence(result), draws_sentence(result), *notes]
    lines += [f"Set aside: {item.study}: {item.reason}." for item in result.set_aside]
    lines += [f"Assumed: {item}." for item in result.assumptions]
    return points([line for line in lines if line], look="quiet")


def angle_blocks(trouble: TroubleFindings) -> tuple[Block, ...]:
    """Return MP angles: change where the joint was left alone, what is over each limit, what came back."""
    angles = trouble.angles
    blocks: list[Block] = []
    if angles.left_alone or angles.by_option:
        blocks.append(
            Say(
                words="Change of hyperextension from before surgery to the last time; below zero is less of "
                "it. A change within one arm holds the natural course and regression to the mean as well."
            )
        )
    if angles.left_alone:
        blocks.append(
            _angle_table(angles.left_alone, "MP joint left alone: does the reconstruction spare it?")
        )
    if angles.by_option:
        blocks.append(_angle_table(angles.by_option, "After each option at the MP joint"))
    if angles.over_limits:
        blocks.append(_limits_table(angles.over_limits))
    if angles.recurrence:
        blocks.append(_recurrence_table(angles.recurrence))
    aside = [f"Set aside: {item.study}: {item.reason}." for item in angles.set_aside]
    aside += [f"Assumed: {item}." for item in angles.assumptions]
    return folded("The MP joint: angles, limits, recurrence", (*blocks, *points(aside, look="quiet")))


def _angle_table(changes: Sequence[AngleChange], caption: str) -> Table:
    return Table(
        caption=caption,
        columns=(
            Column(name="Group", share=40),
            Column(name="Change, degrees", share=34),
            Column(name="In a new centre", share=24),
            Column(name="At other correlations", share=40),
            Column(name="Studies", share=40),
        ),
        rows=tuple(_angle_row(change) for change in changes),
        label=caption,
        look="stacked",
    )


def _angle_row(change: AngleChange) -> tuple[Cell | Words, ...]:
    arms = tuple(
        f"{arm.study}: {fixed(arm.change, 1)}"
        + (f", from {fixed(arm.before, 0)}" if arm.before is not None else "")
        + f", {count(arm.thumbs, 'thumb')}"
        for arm in change.arms
    )
    varied = [f"r {r:g}: {_degrees(result)}" for r, result in (change.varied or {}).items()]
    return (
        change.group,
        _degrees(change.result) if change.result else f"not pooled: {change.reason}",
        _ahead(change.result),
        Cell(words=varied[0], under=tuple(varied[1:])) if varied else "–",
        Cell(words=arms[0], under=arms[1:]) if arms else "–",
    )


def _degrees(result: PoolResult) -> str:
    low, high = result.interval
    return f"{fixed(result.estimate, 1)} ({fixed(low, 1)} to {fixed(high, 1)})"


def _ahead(result: PoolResult | None) -> str:
    prediction = getattr(result, "prediction", None)
    if prediction is None:
        return "–"
    low, high = prediction.interval
    return f"{fixed(low, 1)} to {fixed(high, 1)}"


def _limits_table(limits: Sequence[OverLimit]) -> Table:
    return Table(
        caption="Thumbs over each published limit after surgery: limits contradict each other, all are shown",
        columns=(
            Column(name="Limit, degrees", share=40),
            Column(name="Group", share=30),
            Column(name="Over it, as bands allow", share=34),
            Column(name="Of 100 thumbs, if fewest; if most", share=40),
            Column(name="Source of the limit", share=34),
        ),
        rows=tuple(_limit_row(item) for item in limits),
        label="Thumbs over each published limit of the MP angle",
        look="stacked",
    )


def _limit_row(item: OverLimit) -> tuple[Cell | Words, ...]:
    span = f"{item.fewest}" if item.fewest == item.most else f"{item.fewest} to {item.most}"
    shares = [proportion_words(result) for result in (item.lower, item.upper) if result is not None]
    return (
        item.label,
        item.group,
        f"{span} of {item.total} thumbs, {count(len(item.studies), 'study', 'studies')}",
        "; ".join(dict.fromkeys(shares)) or item.reason,
        item.source,
    )


def _recurrence_table(rows: Sequence[RecurrenceRow]) -> Table:
    return Table(
        caption="MP hyperextension back, by each report's own limit",
        columns=(
            Column(name="MP option", share=34),
            Column(name="Study", share=34),
            Column(name="When", share=20),
            Column(name="Limit", share=34),
            Column(name="Thumbs", share=20),
        ),
        rows=tuple(
            (row.option_label, row.study, row.time, row.limit or "not stated", f"{row.events} of {row.total}")
            for row in rows
        ),
        label="Recurrence of MP hyperextension",
    )


def single_arm_blocks(trouble: TroubleFindings) -> tuple[Block, ...]:
    """Return each option by itself, labelled as naive."""
    rows = [(source, item) for source in trouble.sources for item in source.single_arms]
    if not rows:
        return ()
    lead = Say(
        words="Naive: arms of different studies, of whatever design, pooled by what was done. They differ in "
        "more than that, so that two lines must not be subtracted; only comparisons within studies say what "
        "an option changes.",
        look="warning",
    )
    table = Table(
        caption="Each option by itself, to the last follow-up",
        columns=(
            Column(name="Option", share=34),
            Column(name="Outcome", share=40),
            Column(name="In a typical study, of 100 thumbs", share=30),
            Column(name="Counted", share=40),
        ),
        rows=tuple(
            (
                Cell(words=item.label, under=(source.label,)),
                outcome_term(item.outcome).label,
                proportion_words(item.result) if item.result else f"not pooled: {item.reason}",
                added_words(item.thumbs, item.total, len(item.studies), item.result),
            )
            for source, item in rows
        ),
        label="Single arms by option: naive",
    )
    return folded("Each option by itself (naive, not to be subtracted)", (lead, table))
