"""The results: one article an analysis, from plain words down to every typed number."""

from __future__ import annotations

import math
from dataclasses import dataclass

from metakit.decision.fragile import begun, choices_clause
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES, Measure
from metakit.synthesis.answers import DefinitionFound
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.windows import when_words
from metakit.synthesis.spread_words import interval_kinds
from metakit.telling.answer_tables import choices_table, facts_table
from metakit.telling.blocks import (
    Block,
    Cell,
    Column,
    Part,
    Picture,
    Point,
    Run,
    Say,
    Table,
    Words,
    folded,
    plain,
    points,
    says,
)
from metakit.telling.facts import Facts, Name
from metakit.telling.networks import steps_table
from metakit.telling.option_words import option_words
from metakit.telling.shared import Shared
from metakit.telling.study_numbers import numbers_table
from metakit.telling.traces import path_of
from metakit.telling.unpooled import unpooled_facts

RANKS = {"critical": "critical", "important": "important", "not_important": "not important for the decision"}
CHOICES = (
    "Sensitivity analyses, planned and exploratory; the plan’s own answer comes first and stays the answer. "
    "They use the same studies: what these got wrong stays wrong."
)
ANSWERS = (
    Column(name="Outcome", share=44), Column(name="Measure", share=32),
    Column(name="Studies", number=True, share=16),
    Column(name="Estimate (interval)", number=True, share=38),
    Column(name="New centre (prediction)", number=True, share=28),
    Column(name="Spread (tau)", number=True, share=20),
)  # fmt: skip


def results_blocks(facts: Facts) -> tuple[Block, ...]:
    """Return one article an analysis, grouped by the question that it answers."""
    analyses = facts.findings.analyses
    cautions = Shared.among((item.cautions for item in analyses), anchor="shared-cautions", word="caution")
    notes = Shared.among((item.notes for item in analyses), anchor="shared-notes", word="note")
    groups = tuple(
        Part(
            title=label,
            look="question-heading",
            blocks=(
                _answers(facts, label, some),
                *(
                    Answered(facts=facts, finding=finding, cautions=cautions, notes=notes).article()
                    for finding in some
                ),
            ),
        )
        for label, some in by_question(facts).items()
    )
    kinds = (Say(words=words, look="quiet") for words in interval_kinds(facts.findings))
    apart = cautions.part("Cautions that several answers share")
    last = notes.part("Notes that several answers share", option_words, folded=True)
    return (*kinds, *apart, *groups, *last) if groups else ()


def by_question(facts: Facts) -> dict[str, list[AnalysisFinding]]:
    """Group analyses by the comparison, or the series, that they are about, in the order of the plan."""
    groups: dict[str, list[AnalysisFinding]] = {}
    for finding in facts.findings.analyses:
        comparison = finding.comparison
        label = comparison.label if comparison else f"Single-arm series: {finding.plan.techniques_label}"
        groups.setdefault(label, []).append(finding)
    return groups


def _answers(facts: Facts, label: str, some: list[AnalysisFinding]) -> Table:
    """Return the answers to one question side by side."""
    rows = tuple(_answer_row(facts.names.analyses[finding.plan.id], finding) for finding in some)
    return Table(
        caption=f"Results: {label}", columns=ANSWERS, rows=rows, label=f"All answers: {label}", look="stacked"
    )


def _answer_row(name: Name, finding: AnalysisFinding) -> tuple[Cell | Words, ...]:
    measure, result = MEASURES[finding.plan.measure], finding.result
    outcome = Cell(words=Run(text=name.label, to=name.anchor), under=(_when(finding, measure),))
    if result is None:
        why = f"no pooled answer: {option_words(finding.answer.reason)}"
        return outcome, measure.label, "–", why, "–", "–"
    values, tau2 = natural_values(result, measure, finding.plan.scale), result.heterogeneity.tau2
    ahead = " to ".join(map(values.show, values.prediction)) if values.prediction else "–"
    tau = "–" if tau2 is None else f"{math.sqrt(tau2):.2f}"
    answer = f"{values.show(values.estimate)} ({values.interval})"
    return outcome, measure.label, str(result.k), answer, ahead, tau


def _when(finding: AnalysisFinding, measure: Measure) -> str:
    return when_words(measure.kind, finding.outcome_plan.window)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """Tells one analysis."""

    facts: Facts
    finding: AnalysisFinding
    cautions: Shared
    notes: Shared

    @property
    def measure(self) -> Measure:
        """What is estimated."""
        return MEASURES[self.finding.plan.measure]

    @property
    def name(self) -> Name:
        """Its names on the page."""
        return self.facts.names.analyses[self.finding.plan.id]

    def article(self) -> Part:
        """Return the whole article."""
        finding, measure, end = self.finding, self.measure, self.name.end
        comparison = finding.comparison
        subject = comparison.label if comparison else f"{finding.plan.techniques_label}, series"
        rank, unpooled = RANKS[finding.outcome_plan.importance], finding.unpooled
        cannot: tuple[Block, ...] = ()
        if unpooled is not None:
            lead = Say(words="What a synthesis without pooling cannot tell:")
            cannot = (lead, *points(unpooled.cannot_tell, look="caution"))
        blocks: tuple[Block, ...] = (
            *self._headline(),
            *points(self.cautions.points(finding.cautions), look="caution", label="Cautions"),
            *cannot,
            Picture(name=f"directions-{end}"),
            Picture(name=f"forest-{end}"),
            *self._facts(),
            *self._numbers(),
            *self._choices(),
            *self._set_aside(),
            *folded(
                "Assumed or derived",
                steps_table(finding.assumptions, self._label("Assumed or derived")),
                number=len(finding.assumptions),
            ),
            *folded(
                "Definitions that the reports use",
                [block for found in finding.definitions for block in _definition(found)],
                number=len(finding.definitions),
            ),
            *folded(
                "Notes", points(self.notes.points(finding.notes, option_words)), number=len(finding.notes)
            ),
            *folded("Funnel plot", (Picture(name=f"funnel-{end}", look="funnel"),)),
        )
        return Part(
            title=self.name.label,
            blocks=blocks,
            level=2,
            folded=True,
            anchor=self.name.anchor,
            about=f"{subject} · {rank} outcome · {_when(finding, measure)} · {measure.label}",
        )

    def _headline(self) -> tuple[Say, ...]:
        """Return the answer with its fragility beside it, then the other sentences.

        What one event would do stands among the sentences; the line counts choices in which it holds.
        """
        line = begun(choices_clause(self.finding, self.facts.findings.protocol))
        first, *others = says(self.finding.sentences, first="answer")
        return (first, *((Say(words=line, look="quiet"),) if line else ()), *others)

    def _label(self, what: str) -> str:
        measure = self.measure
        return f"{what}: {self.finding.title}, {measure.label}, {_when(self.finding, measure)}"

    def _facts(self) -> tuple[Part, ...]:
        facts = unpooled_facts(self.finding) or facts_table(self.finding)
        unit = self.measure.unit_for(self.finding.term.unit)
        table = Table(
            caption=f"The answer in numbers, {unit}" if unit else "The answer in numbers",
            columns=(
                Column(name="What", share=50), Column(name="Value", number=True, share=34),
                Column(name="How", share=90),
            ),
            rows=tuple((fact.name, fact.value, fact.remark) for fact in facts),
            label=self._label("The answer in numbers"),
            look="facts",
        )  # fmt: skip
        title = (
            "The synthesis without pooling in numbers" if self.finding.unpooled else "The answer in numbers"
        )
        return folded(title, (table,) if facts else ())

    def _numbers(self) -> tuple[Part, ...]:
        finding, numbers = self.finding, numbers_table(self.finding)
        effective, weights = numbers.has_effective, numbers.has_weights
        columns = (
            Column(name="Study", share=30), Column(name="Arm", share=30),
            Column(name=numbers.typed_heading, number=True, share=24),
            *((Column(name="As analysed", number=True, share=24),) if effective else ()),
            Column(name="Time", share=22), Column(name="Source", share=44),
            Column(name=self.measure.label.capitalize(), number=True, share=30),
            *((Column(name="Weight", number=True, share=20),) if weights else ()),
        )  # fmt: skip
        rows: list[tuple[Cell | Words, ...]] = []
        for study, row in zip(finding.numbers, numbers.rows, strict=True):
            tall = len(row.sides)
            path = path_of(
                self.facts.findings, finding, study,
                effect=row.effect, weight=row.weight, places=self.facts.places,
            )  # fmt: skip
            steps: list[Block] = []
            for step in path:
                steps += (Say(words=Run(text=step.name, look="strong")), *points(step.lines))
                if step.caution:
                    steps.append(Say(words=step.caution, look="quiet"))
            trace = Part(
                title=(row.study, Run(text=finding.title, look="quiet")),
                blocks=tuple(steps),
                anchor=f"trace-{self.name.anchor}-{len(rows)}",
                about=f"Trace the numbers of {row.study}",
            )
            for place, side in enumerate(row.sides):
                places = tuple(Run(text=where, look="place") for where in side.places)
                source = Cell(words=side.source or "–", under=places)
                cells: tuple[Cell | Words, ...] = (
                    side.label, side.typed, *((side.effective or "same",) if effective else ()), side.times,
                    source,
                )  # fmt: skip
                if place == 0:
                    ends = (row.effect, *((row.weight,) if weights else ()))
                    first = Cell(words=row.study, rows=tall, opens=trace)
                    cells = (first, *cells, *(Cell(words=end, rows=tall) for end in ends))
                rows.append(cells)
        after = ", and as analysed after the design effect for patients with two thumbs in the study"
        table = Table(
            caption=f"Numbers as reported{after if effective else ''}",
            columns=columns,
            rows=tuple(rows),
            label=self._label("Numbers of each study"),
        )
        title = "Numbers of each study and where they stand"
        return folded(title, (table,) if rows else (), number=len(numbers.rows))

    def _choices(self) -> tuple[Part, ...]:
        choices = choices_table(self.finding, self.facts.findings.protocol)
        columns = (
            Column(name="Choice", share=50), Column(name="Standing", share=20),
            Column(name="Measure", share=26),
            Column(name="Studies", number=True, share=14), Column(name="Estimate", number=True, share=18),
            Column(name="Interval", number=True, share=26), Column(name="Remark", share=40),
        )  # fmt: skip
        rows = tuple(
            (one.what, one.standing, one.measure, one.studies, one.estimate, one.interval, one.remark)
            for one in choices
        )
        table = Table(
            caption=CHOICES,
            columns=columns,
            rows=rows,
            label=self._label("Other choices"),
            leading=1,
        )
        title = "Would the answer survive other choices?"
        return folded(title, (table,) if rows else (), number=len(rows) - 1)

    def _set_aside(self) -> tuple[Part, ...]:
        apart = self.finding.set_aside
        items = (Point(lead=line.study, words=f"{option_words(line.reason)}.") for line in apart)
        return folded("Set aside, and why", points(items), number=len(apart))


def _definition(found: DefinitionFound) -> tuple[Block, ...]:
    tag = () if found.fits else (" ", Run(text="not this outcome", look="tag"))
    said = (
        Point(lead=study, words=f"“{words}”" if words else "no words of the authors recorded")
        for study, words in found.author_words
    )
    title: Words = (Run(text=found.label, look="strong"), *tag)
    return (Say(words=title), *points(said, label=plain(found.label)))
