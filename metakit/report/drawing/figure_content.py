"""What the figures of a report show, built from the findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.core.written import listed, ratio
from metakit.measures.registry import MEASURES, Measure
from metakit.models.differing.subgroups import SubgroupResult
from metakit.plots.forests.cells import study_cells, total_cells, usual_cells
from metakit.plots.forests.content import ForestContent, ForestSummary, FunnelContent, Place
from metakit.plots.forests.forest_content import forest_content
from metakit.plots.forests.funnel_content import funnel_content
from metakit.plots.forests.overview_content import OverviewContent, OverviewRow
from metakit.plots.forests.subtotals import group_labels, with_subtotals
from metakit.plots.gauges import fill_of
from metakit.synthesis.appraisal import CONCERNS, concern_of
from metakit.synthesis.exploring.exploration_words import level_label
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.rows import StudyNumbers

EFFECTIVE_NOTE = (
    "Numbers as reported. For patients with two thumbs in a study the analysis used effective numbers."
)

INFLATED_NOTE = "For patients with two thumbs in a study the analysis used a larger standard error."


def forest_of(
    finding: AnalysisFinding, table: EffectTable, by: SubgroupResult | None = None, called: str = ""
) -> ForestContent:
    """Build the forest plot of an analysis, with sub-totals by design; numbers are shown as reported.

    With `by`, studies stand in its groups instead; `called` is what its moderator is called.
    """
    groups: Sequence[str] | None = None
    group_results = None
    if by is not None:
        groups = group_labels(table, by.moderator)
    elif len(finding.by_design) > 1:
        label_of = {name: part.label for part in finding.by_design for name in part.studies}
        groups = [label_of[study] for study in table.study]
        group_results = {
            part.label: part.answer.result for part in finding.by_design if part.answer.result is not None
        }
    comparison = finding.comparison
    labels = (comparison.technique_label, comparison.comparator_label) if comparison else ("", "")
    effective = any(study.has_effective_numbers for study in finding.numbers)
    timed = MEASURES[finding.plan.measure].kind.timed
    content = forest_content(
        finding.result,
        table,
        title=finding.title,
        groups=groups,
        group_results=group_results,
        left_words=_upper_first(finding.left_words),
        right_words=_upper_first(finding.right_words),
        arm_labels=(_upper_first(labels[0]), _upper_first(labels[1])),
        unit=unit_of(finding),
        footnotes=[
            *([INFLATED_NOTE if timed else EFFECTIVE_NOTE] if effective else []),
            *_ready_notes(finding),
        ],
    )
    if by is not None:
        beside = usual_cells(MEASURES[table.measure], table, content_labels(labels), "thumbs")
        content = with_subtotals(
            content, by, table, beside, moderator=called,
            level_words=lambda level: level_label(by.moderator, level),
        )  # fmt: skip
    ready = any(study.ready for study in finding.numbers)
    if not (timed or not (effective or ready)):  # else no cells of raw numbers, or the right ones already
        content = _with_reported_numbers(content, finding.numbers, table)
    return _with_judgements(content, finding)


def content_labels(labels: tuple[str, str]) -> tuple[str, str]:
    """Return the names of two arms as headings begin."""
    return _upper_first(labels[0]), _upper_first(labels[1])


CONCERN_BARS: Mapping[str, float | None] = {
    CONCERNS[key]: fill_of(place, ("low", "some", "high"))
    for place, key in enumerate(("low", "some", "high"))
} | {CONCERNS["not_known"]: None}
"""Length of the bar of each concern about bias that has one."""


def _with_judgements(content: ForestContent, finding: AnalysisFinding) -> ForestContent:
    """Put each study's concern about bias beside its row, where any study has been judged overall."""
    found = {study.name: CONCERNS[concern_of(study.study, finding.term.id)] for study in finding.numbers}
    found = {name: words if words in CONCERN_BARS else "" for name, words in found.items()}
    if not any(words and CONCERN_BARS[words] is not None for words in found.values()):
        return content
    groups = tuple(
        replace(
            group,
            rows=tuple(
                replace(
                    row,
                    cells=(*row.cells, found.get(row.study, "")),
                    narrow=(*row.cells, found.get(row.study) or "not judged"),
                )
                for row in group.rows
            ),
            summary=_with_empty_cell(group.summary),
        )
        for group in content.groups
    )
    return replace(
        content,
        headings=(*content.headings, "Bias"),
        places=(*(Place() for _ in content.headings), Place(gauge=True, align="left")),
        narrow_headings=(*content.headings, "concern about bias"),
        narrow_arms=len(content.headings),
        gauges={word: CONCERN_BARS.get(word) for word in dict.fromkeys(found.values())},
        groups=groups,
        summary=_with_empty_cell(content.summary),
    )


def _with_empty_cell(summary: ForestSummary | None) -> ForestSummary | None:
    if summary is None:
        return None
    cells = (*summary.cells, "") if summary.cells else ()
    return replace(summary, cells=cells, narrow=(*summary.cells, ""))


def _ready_notes(finding: AnalysisFinding) -> list[str]:
    """Say in the picture whose effect is as reported, and what it was adjusted for."""
    ready = [study for study in finding.numbers if study.ready]
    adjusted = [f"{study.name} ({study.adjusted_for})" for study in ready if study.adjusted_for]
    crude = [study.name for study in ready if not study.adjusted_for]
    return [
        f"Effect as reported, {what}: {listed(names)}."
        for what, names in (("adjusted", adjusted), ("unadjusted", crude))
        if names
    ]


def funnel_of(finding: AnalysisFinding, table: EffectTable, result: PoolResult) -> FunnelContent:
    """Build the funnel plot of an answered analysis."""
    return funnel_content(
        result,
        table,
        title=finding.title,
        left_words=_upper_first(finding.left_words),
        right_words=_upper_first(finding.right_words),
        unit=unit_of(finding),
    )


def overview_of(analyses: Sequence[AnalysisFinding], which: str = "") -> OverviewContent:
    """Build the picture of some analyses; `which` ends its title (", 1 of 3")."""
    return OverviewContent(
        title=f"All outcomes at a glance{which}",
        rows=tuple(_overview_row(finding) for finding in analyses),
        level=analyses[0].plan.level,
    )


def unit_of(finding: AnalysisFinding) -> str:
    """Return the unit of an analysis as shown: the outcome's for means, the measure's otherwise."""
    return MEASURES[finding.plan.measure].unit_for(finding.term.unit)


def _with_reported_numbers(
    content: ForestContent, numbers: tuple[StudyNumbers, ...], table: EffectTable
) -> ForestContent:
    """Replace effective numbers in the cells by those of the reports."""
    measure = MEASURES[table.measure]
    reported = replace(table, data=_reported_columns(numbers, measure))
    index = {study: i for i, study in enumerate(reported.study)}
    used: list[int] = []
    groups = []
    for group in content.groups:
        rows = tuple(
            replace(row, cells=study_cells(measure, reported, index[row.study])) for row in group.rows
        )
        members = [
            index[row.study] for row in group.rows if row.weight is not None or row.estimate is not None
        ]
        used += members
        summary = group.summary
        if summary is not None:
            summary = replace(summary, cells=total_cells(measure, reported, members))
        groups.append(replace(group, rows=rows, summary=summary))
    overall = content.summary
    if overall is not None:
        overall = replace(overall, cells=total_cells(measure, reported, used))
    return replace(content, groups=tuple(groups), summary=overall)


def _reported_columns(numbers: tuple[StudyNumbers, ...], measure: Measure) -> dict[str, NDArray[np.float64]]:
    rows = [study.reported_columns(measure.columns) for study in numbers]
    return {name: np.array([row[name] for row in rows], dtype=np.float64) for name in measure.columns}


def _overview_row(finding: AnalysisFinding) -> OverviewRow:
    measure = MEASURES[finding.plan.measure]
    scale = measure.scale(finding.plan.scale)
    factor = 1.0 if scale.axis == "percent" else measure.natural_factor
    null = measure.null_value
    left = f"; left: {finding.left_short}" if finding.left_short else ""
    row = OverviewRow(
        outcome=f"{finding.term.label}: {_asked_about(finding)}",
        measure=f"{_upper_first(measure.label)}{left}",
        axis=scale.axis,
        null=None if null is None else float(scale.to_natural(np.asarray(null))) * factor,
        unit=unit_of(finding),
        note=finding.answer.reason,
    )
    result = finding.result
    if result is None:
        return row
    only = result.lone_limit
    if only:
        limit = getattr(result.interval, only)
        told = f"no estimate, {'at most' if only == 'upper' else 'at least'} "
        told += ratio(float(result.back_transform(limit)) * factor)
        return replace(row, note=told, studies=result.k, size=_size_words(finding, measure))
    estimate, lower, upper = (
        float(result.back_transform(value)) * factor
        for value in (result.estimate, result.interval.lower, result.interval.upper)
    )
    return replace(
        row,
        estimate=estimate,
        lower=lower,
        upper=upper,
        studies=result.k,
        size=_size_words(finding, measure),
    )


def _asked_about(finding: AnalysisFinding) -> str:
    comparison = finding.comparison
    if comparison is None:
        return f"{finding.plan.techniques_label}, series"
    return f"{comparison.technique_label} against {comparison.comparator_label}"


def _size_words(finding: AnalysisFinding, measure: Measure) -> str:
    kind = measure.kind
    total = sum(side.numbers.get(kind.size, 0.0) for study in finding.numbers for side in study.sides)
    return f"{total:,.0f} {kind.size_word}".replace(",", " ")


def _upper_first(text: str) -> str:
    return text[:1].upper() + text[1:]
