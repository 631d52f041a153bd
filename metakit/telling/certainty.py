"""How certain each answer is: every domain as proposed and as judged, with reasons and signature."""

from __future__ import annotations

from metakit.core.written import signed
from metakit.decision.certainty import LEVELS, Certainty, DomainLine, leftover
from metakit.decision.proposals import DOMAINS
from metakit.synthesis.terms import label_of
from metakit.synthesis.words import lower_first
from metakit.telling.blocks import Block, Cell, Column, Part, Run, Say, Table, Words, folded, points
from metakit.telling.facts import Facts, Name

COLUMNS = (
    Column(name="Domain", share=30),
    Column(name="Proposed", number=True, share=14),
    Column(name="Counts", number=True, share=14),
    Column(name="Reasoning of the software", share=90),
    Column(name="The person", share=40),
)
PAIR_COLUMNS = (
    Column(name="Compared", share=40),
    Column(name="Answer", share=36),
    Column(name="Certainty", share=28),
    Column(name="Why", share=90),
)
LEAD = (
    "The software proposes levels for each domain from the numbers of the review and says why; what no "
    "record holds it leaves open. A person confirms or changes each proposal with a reason and signs. "
    "Nothing is final until it is signed, and a signature counts only when every domain is judged, and "
    "only for the numbers, thresholds, appraisal, marks and proposals that it was given on. Both "
    "the proposal and the judgement stay."
)


def certainty_blocks(facts: Facts) -> tuple[Block, ...]:
    """Return one worksheet an answer, by comparison; nothing without comparisons."""
    groups: dict[str, list[Block]] = {}
    for item in facts.certainties:
        sheet = _worksheet(item, facts.names.analyses[item.body.analysis])
        groups.setdefault(item.body.comparison, []).append(sheet)
    for item in facts.networks:
        plan = item.body.analysis.partition("--")[0]
        anchor = facts.names.networks[plan].anchor
        name = Name(label=f"{item.body.technique} against {item.body.comparator}", anchor=anchor, end="")
        groups.setdefault(f"Network: {item.body.comparison}", []).append(_worksheet(item, name))
    pairs = _pairs(facts)
    if not groups and not pairs:
        return ()
    sources = tuple(dict.fromkeys(key for domain in DOMAINS for key in domain.references))
    left = (
        f"A judgement of {_words(old.analysis)} ({old.answer}) stands in the certainty file, but the "
        "analysis has no answer now."
        for old in leftover(facts.findings, (*facts.certainties, *facts.pairs))
    )
    return (
        Say(words=(LEAD, Run(cites=sources))),
        *(Part(title=label, blocks=tuple(items)) for label, items in groups.items()),
        *pairs,
        *(Say(words=words, look="quiet") for words in left),
    )


def _pairs(facts: Facts) -> tuple[Part, ...]:
    """Return the pairs of options in one table: what moved each from where it starts, and the signature."""
    rows = []
    for item in facts.pairs:
        moved = [
            f"{label_of('certainty_domains', line.proposal.domain)} {signed(line.levels, 0)}: "
            f"{line.because if line.changed and line.because else line.proposal.reason}"
            for line in item.lines
            if line.levels
        ]
        standing: list[Words] = [status_run(item)]
        if item.judgement and item.judgement.signed_by:
            standing.append(_signature(item))
        rows.append(
            (
                Cell(words=item.body.comparison, under=(lower_first(item.body.outcome),)),
                item.body.answer,
                Cell(words=level_run(item), under=tuple(standing)),
                Cell(words=f"Starts {item.start}: {item.start_reason}", under=tuple(moved)),
            )
        )
    table = Table(
        caption="Certainty of every pair of options", columns=PAIR_COLUMNS, rows=tuple(rows),
        label="Certainty of every pair of options at a source of trouble", look="stacked",
    )  # fmt: skip
    title = "Pairs of options at the sources of trouble"
    return folded(title, (table,) if rows else (), number=len(rows))


def level_run(item: Certainty) -> Run:
    """Return a certainty with its four steps."""
    return Run(text=item.level_words.capitalize(), look="level", steps=LEVELS.index(item.level) + 1)


def status_run(item: Certainty) -> Run:
    """Return what a certainty's signature is worth, marked where it does not count."""
    return Run(text=item.status_words, look="quiet" if item.final else "mark")


def _worksheet(item: Certainty, name: Name) -> Part:
    body, judged = item.body, item.judgement
    answer = Run(text=body.answer, to=name.anchor)
    lines: list[Words] = [("Answer: ", answer, f". Starts {item.start}: {item.start_reason}")]
    if judged and judged.signed_by:
        lines.append(_signature(item))
    if judged and judged.note:
        lines.append(judged.note)
    table = Table(
        caption=Cell(words=level_run(item), under=(status_run(item),)),
        columns=COLUMNS,
        rows=tuple(map(_row, item.lines)),
        label=f"Worksheet of certainty: {name.label}, {body.comparison}",
        look="stacked",
    )
    earlier = (
        f"Earlier: {_words(old.certainty)} for {old.answer}, signed by {old.signed_by} on {old.signed_on}."
        for old in (judged.earlier if judged else ())
    )
    return Part(
        title=f"{name.label}: {item.level_words} ({item.status_words})",
        blocks=(*(Say(words=line, look="quiet") for line in lines), table, *points(earlier, look="quiet")),
        level=2,
        folded=True,
        anchor=f"certainty-{body.analysis}",
    )


def _signature(item: Certainty) -> Words:
    judged = item.judgement
    if judged is None:
        return ""
    against = (Run(text=item.why_not, look="strong"), " ") if item.why_not else ()
    silent = ", ".join(map(_words, item.unanswered))
    return (
        f"Signed by {judged.signed_by} on {judged.signed_on}. ",
        *against,
        f"Open questions without an answer: {silent}. " if silent else "",
        f"The software alone would say {_words(item.proposed)}.",
    )


def _row(line: DomainLine) -> tuple[Cell | Words, ...]:
    proposal, counts = line.proposal, signed(line.levels, 0)
    return (
        label_of("certainty_domains", proposal.domain),
        signed(proposal.levels, 0),
        Run(text=counts, look="changed") if line.changed else counts,
        Cell(words=proposal.reason, under=(f"Open: {proposal.open}.",) if proposal.open else ()),
        _person(line),
    )


def _person(line: DomainLine) -> str:
    if line.judged is not None and line.judged != line.levels:
        void = f"judged {signed(line.judged, 0)} for something else; does not count"
        return f"{void}: {line.because}" if line.because else void
    return line.because or ("confirmed" if line.signed else "–")


def _words(name: str) -> str:
    return name.replace("_", " ")
