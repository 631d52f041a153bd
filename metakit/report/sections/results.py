"""The results: one article an analysis, from plain words down to every typed number."""

from __future__ import annotations

from dataclasses import replace

from metakit.measures.registry import MEASURES
from metakit.report.figure_content import unit_of
from metakit.report.figures import ResultPart
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.report.sections.question import RANKS
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.windows import when_words
from metakit.telling.answer_tables import choices_table, facts_table
from metakit.telling.option_words import option_words
from metakit.telling.study_numbers import numbers_table
from metakit.telling.traces import path_of
from metakit.telling.unpooled import unpooled_facts


def build(page: Page) -> Content | None:
    """Return one article an analysis, grouped by the question that it answers."""
    if not page.figures.results:
        return None
    return {
        "groups": [(label, [_article(page, part) for part in parts]) for label, parts in page.by_question()]
    }


def _when(finding: AnalysisFinding) -> str:
    return when_words(MEASURES[finding.plan.measure].kind, finding.outcome_plan.window)


def _article(page: Page, part: ResultPart) -> dict[str, object]:
    finding = part.finding
    measure = MEASURES[finding.plan.measure]
    numbers = numbers_table(finding)
    return {
        "anchor": part.anchor,
        "title": finding.title,
        "subject": finding.comparison.label
        if finding.comparison
        else f"{finding.plan.techniques_label}, series",
        "heading": part.label,
        "rank": RANKS[finding.outcome_plan.importance],
        "when": _when(finding),
        "measure": measure.label,
        "unit": unit_of(finding),
        "answered": finding.result is not None,
        "sentences": finding.sentences,
        "cautions": finding.cautions,
        "forest": part.forest,
        "funnel": part.funnel,
        "numbers": numbers,
        "paths": [
            path_of(page.findings, finding, study, effect=row.effect, weight=row.weight)
            for study, row in zip(finding.numbers, numbers.rows, strict=True)
        ],
        "directions": part.directions,
        "cannot_tell": finding.unpooled.cannot_tell if finding.unpooled else (),
        "facts": unpooled_facts(finding) or facts_table(finding),
        "choices": choices_table(finding, page.findings.protocol),
        "set_aside": [replace(line, reason=option_words(line.reason)) for line in finding.set_aside],
        "assumptions": [
            (step, page.citations.number(step.reference) if step.reference else None)
            for step in finding.assumptions
        ],
        "definitions": finding.definitions,
        "notes": [option_words(note) for note in finding.notes],
    }


SECTIONS.add(Section(name="results", title="Results", template="results.html.j2", build=build))
