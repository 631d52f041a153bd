"""The answer on the first screen: what happens to 100 thumbs with each, how sure, what it hangs on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from metakit.core.written import count, listed
from metakit.decision.summary import SummaryRow, SummaryTable, summary_tables
from metakit.synthesis.returning.causes_words import estimate_words
from metakit.telling.blocks import Block, Cell, Column, Point, Points, Run, Say, Table, Words
from metakit.telling.certainty import level_run, status_run
from metakit.telling.facts import Facts
from metakit.telling.option_words import option_words

COLUMNS = (
    Column(name="Outcome", share=46),
    Column(name="Comparator", share=22),
    Column(name="Technique", share=22),
    Column(name="Difference", share=30),
    Column(name="Certainty, and why", share=35),
    Column(name="In words", share=48),
)
NOTHING = "–"
MOST_OUTCOMES = 3
"""Outcomes of a comparison on the first screen; the rest is one step away."""
VERY_UNCERTAIN = "The evidence is very uncertain."
"""All that is said at very low certainty; outcome and comparison stand in the same row."""


def brief_blocks(facts: Facts) -> tuple[Block, ...]:
    """Return the brief; nothing where no comparison of the plan has an answer."""
    tables = summary_tables(facts.findings, facts.certainties)
    answered = [table for table in tables if table.rows]
    if not answered:
        return ()
    return (
        *(_comparison(table, facts) for table in answered),
        *_unknown(tables),
        *_sources(facts),
        *_studies(facts),
    )


def _shown(table: SummaryTable) -> Sequence[SummaryRow]:
    critical = [row for row in table.rows if row.rank == "critical"]
    return (critical or list(table.rows))[:MOST_OUTCOMES]


def _comparison(table: SummaryTable, facts: Facts) -> Table:
    rows = _shown(table)
    more = len(table.rows) - len(rows)
    under = (f"{count(more, 'further outcome')} in the summary of findings.",) if more else ()
    return Table(
        caption=Cell(words=table.comparison, under=under),
        columns=(
            COLUMNS[0],
            Column(name=table.comparator[:1].upper() + table.comparator[1:], share=COLUMNS[1].share),
            Column(name=table.technique[:1].upper() + table.technique[1:], share=COLUMNS[2].share),
            *COLUMNS[3:],
        ),
        rows=tuple(_row(row, facts) for row in rows),
        label=f"The answer in brief: {table.comparison}",
        look="stacked",
    )


def _row(row: SummaryRow, facts: Facts) -> tuple[Cell | Words, ...]:
    name, base = facts.names.analyses[row.analysis], row.baselines[0] if row.baselines else None
    certainty = row.certainty
    suffix = (
        "" if certainty.body.events is None else f" of 100{' thumb-years' if 'years' in row.unit else ''}"
    )
    return (
        Cell(
            words=Run(text=name.label, to=name.anchor),
            under=tuple(filter(None, ("; ".join(filter(None, (row.when, row.participants))),))),
        ),
        _amount(base.with_comparator if base else "", suffix),
        _amount(base.with_technique if base else "", suffix),
        _difference(base.difference if base else "", "" if row.relative == NOTHING else row.relative),
        Cell(words=level_run(certainty), under=(f"{certainty.why}.", status_run(certainty))),
        Cell(
            words=VERY_UNCERTAIN if certainty.level == "very_low" else row.statement,
            under=tuple(filter(None, (row.fragility,))),
        ),
    )


def _difference(difference: str, relative: str) -> Cell | Words:
    if not difference:
        return relative or "not told"
    return Cell(words=difference, under=(relative,) if relative else ())


def _amount(text: str, suffix: str) -> Cell | Words:
    """Write a value with its interval below it."""
    value, opened, rest = text.partition(" (")
    if not value:
        return "not told"
    return Cell(words=f"{value}{suffix}", under=(f"{opened.strip()}{rest}",) if rest else ())


def _unknown(tables: Sequence[SummaryTable]) -> tuple[Block, ...]:
    items = tuple(
        Point(lead=f"{table.comparison}, {label}", words=option_words(why))
        for table in tables
        for label, why in table.unanswered
    )
    return (
        (Say(words="What stays unknown", look="lead"), Points(items=items, look="named", label="Unknown"))
        if items
        else ()
    )


def _sources(facts: Facts) -> tuple[Block, ...]:
    """Say in one line each how often each source of trouble is the reason to return."""
    trouble = facts.findings.trouble
    if trouble is None or not trouble.told:
        return ()
    items = []
    for source in trouble.sources:
        answer = source.cause
        words = (
            "no return for it is told"
            if answer is None
            else f"the reason of {estimate_words(answer.share)} of 100 thumbs that come back"
        )
        items.append(Point(lead=source.label, words=words))
    return (
        Say(words=("Why thumbs come back: ", Run(text="details", to="why-thumbs-come-back")), look="lead"),
        Points(items=tuple(items), look="named", label="Sources of trouble in brief"),
    )


def _studies(facts: Facts) -> tuple[Block, ...]:
    findings = facts.findings
    levels = Counter(item.level_words for item in facts.certainties)
    judges = sorted(
        {item.judgement.signed_by for item in facts.certainties if item.final and item.judgement is not None}
    )
    sure = listed([f"{number} {words}" for words, number in levels.items()])
    who = f"signed by {listed(judges)}" if judges else "nobody has signed a judgement yet"
    text = (
        f"{count(len(findings.studies), 'study', 'studies')}; certainty of {len(facts.certainties)} answers: "
        f"{sure}; {who}."
    )
    return (Say(words=text, look="quiet"),)
