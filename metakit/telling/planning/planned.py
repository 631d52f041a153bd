"""What was planned and what became of it: every line of the protocol, what was not carried out first."""

from __future__ import annotations

from collections import Counter

from metakit.core.written import count
from metakit.telling.blocks import Block, Cell, Column, Point, Run, Say, Table, Words, folded, points
from metakit.telling.facts import Facts
from metakit.telling.planning.plan_account import PlanLine, in_order, plan_account
from metakit.telling.planning.plan_fate import WORDS

MOST_SHOWN = 12
"""Lines not carried out that stand in the open; more of them stand in the table alone."""
COLUMNS = (
    Column(name="Planned", share=60),
    Column(name="What became of it", share=22),
    Column(name="Where and why", share=60),
)


def planned_blocks(facts: Facts) -> tuple[Block, ...]:
    """Say how much of the plan was carried out, name what was not, and account for every line."""
    lines = in_order(plan_account(facts))
    if not lines:
        return ()
    numbers = Counter(line.fate.became for line in lines)
    parts = [f"{numbers[became]} {words}" for became, words in WORDS.items() if numbers[became]]
    undone = [line for line in lines if line.fate.became == "not_done"]
    shown = undone if len(undone) <= MOST_SHOWN else []
    return (
        Say(words=f"The protocol holds {count(len(lines), 'line')}: {', '.join(parts)}."),
        *points((_point(line) for line in shown), look="named", label="Planned and not carried out"),
        *folded("Every line of the plan", (_table(lines),), number=len(lines)),
    )


def _point(line: PlanLine) -> Point:
    return Point(lead=_name(line), words=(f"{WORDS[line.fate.became]}: ", *_why(line)))


def _table(lines: tuple[PlanLine, ...]) -> Table:
    return Table(
        caption="Every line of the protocol",
        columns=COLUMNS,
        rows=tuple(
            (Cell(words=_name(line), under=_under(line)), _became(line), _why(line)) for line in lines
        ),
        label="Every line of the plan and what became of it",
    )


def _name(line: PlanLine) -> str:
    return f"{line.part.replace('_', ' ')}: {line.entry or line.planned}"


def _under(line: PlanLine) -> tuple[Words, ...]:
    return (line.planned,) if line.entry else ()


def _became(line: PlanLine) -> Run:
    return Run(text=WORDS[line.fate.became], look="mark" if line.fate.became == "not_done" else "plain")


def _why(line: PlanLine) -> tuple[str | Run, ...]:
    fate = line.fate
    link = (Run(text="see there", to=fate.where),) if fate.where else ()
    if fate.why and link:
        return (f"{fate.why}; ", *link)
    return (fate.why,) if fate.why else link
