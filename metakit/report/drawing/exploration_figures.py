"""The figures of how firm answers are: regressions, single studies, all reasonable ways, small studies.

Each exists once, as inline SVG for the page and as a file. Its caption says that it belongs to a sensitivity
analysis, planned or exploratory, and what it cannot tell.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.core.written import count
from metakit.errors import MetakitError
from metakit.report.drawing.exploration_parts import RobustnessFigures
from metakit.report.drawing.figure_content import unit_of
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.report.drawing.subgroup_figures import subgroup_figure
from metakit.synthesis.choices.robustness import Robustness, robustness
from metakit.synthesis.exploring.exploration_words import in_words, level_label, moderator_label
from metakit.synthesis.exploring.explorations import Exploration
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.words import lower_first

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDE_MM, NARROWER_MM = 180.0, 140.0
FEWEST_TO_LOOK_CLOSER = 5
"""Studies below which each diagnostic of one study rests on three others or fewer: nothing to look at."""


def bubble_figures(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> dict[str, FigurePart]:
    """Draw the regressions on one moderator and the subgroups of an analysis, by exploration."""
    return {
        exploration.id: part
        for exploration in finding.explorations
        for draw in (_bubble, subgroup_figure)
        if (part := draw(finding, exploration, name, kinds)) is not None
    }


def _bubble(
    finding: AnalysisFinding, exploration: Exploration, name: str, kinds: Sequence[str]
) -> FigurePart | None:
    from metakit.plots.exploring.bubble import bubble_content, bubble_figure, bubble_text

    fit, table = exploration.meta_regression, finding.table
    if fit is None or table is None or len(exploration.moderators) != 1:
        return None
    (column,) = exploration.moderators
    content = bubble_content(
        table,
        column.name,
        regression=fit,
        level=finding.plan.level,
        title=finding.title,
        lower_words=_begun(finding.left_words),
        higher_words=_begun(finding.right_words),
    )
    label = moderator_label(column, comparative=finding.comparative)
    standing = _begun(exploration.standing)
    content = replace(
        content,
        moderator=f"{label} ({column.unit})" if column.unit else label,
        levels=tuple(level_label(column.name, level) for level in content.levels),
        sentence=in_words(content.sentence, (replace(column, name=column.name.replace("_", " ")),)),
        footnotes=(f"{standing} analysis.", *(in_words(note, (column,)) for note in content.footnotes)),
    )
    return _part(
        f"regression-{name}-{exploration.id.replace('_', '-')}",
        lambda width: bubble_figure(content, width_mm=width),
        NARROWER_MM,
        caption=f"{standing} regression: effects of {count(fit.k, 'study', 'studies')} against "
        f"{lower_first(label)}. It compares studies, not patients, and cannot tell what caused the "
        "difference.",
        more=bubble_text(content),
        kinds=kinds,
    )


def robustness_figures(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> RobustnessFigures:
    """Draw what shows how much an answer hangs on single studies and choices."""
    table, result = finding.table, finding.result
    specifications = _specifications(finding, name, kinds)
    studies = robustness(finding)
    if studies is None or not studies.without or table is None or result is None:
        return RobustnessFigures(studies=studies, specifications=specifications)
    usable = table.select(table.estimable)
    closer = len(studies.without) >= FEWEST_TO_LOOK_CLOSER
    return RobustnessFigures(
        studies=studies,
        leave_one_out=_leave_one_out(finding, studies, usable, name, kinds),
        cumulative=_cumulative(finding, usable, name, kinds) if closer else None,
        influence=_influence(finding, studies, name, kinds) if closer and studies.influences else None,
        contribution=_contribution(finding, studies, name, kinds) if closer and studies.influences else None,
        specifications=specifications,
        funnel=_funnel(finding, studies, usable, result, name, kinds) if studies.adjusted else None,
    )


def _leave_one_out(
    finding: AnalysisFinding, studies: Robustness, usable: EffectTable, name: str, kinds: Sequence[str]
) -> FigurePart:
    from metakit.plots.exploring.repeated import repeated_content, repeated_text
    from metakit.plots.forests.forest import forest_figure

    known = [(row.label, row.result) for row in studies.without if row.result is not None]
    content = repeated_content(
        [found for _, found in known],
        usable,
        labels=[label for label, _ in known],
        row_heading="Left out",
        row_words="the mean without the named study",
        whole=finding.result,
        title=finding.title,
        left_words=_begun(finding.left_words),
        right_words=_begun(finding.right_words),
        level=finding.plan.level,
        footnotes=("Exploratory sensitivity analysis.", *_how(finding)),
    )
    return _part(
        f"without-each-study-{name}",
        lambda width: forest_figure(content, width_mm=width),
        WIDE_MM,
        caption=f"Exploratory sensitivity analysis: the mean of {len(studies.without)} studies with each "
        "left out in turn. It cannot tell which study is right.",
        more=repeated_text(content),
        kinds=kinds,
    )


def _cumulative(
    finding: AnalysisFinding, usable: EffectTable, name: str, kinds: Sequence[str]
) -> FigurePart | None:
    from metakit.plots.exploring.repeated import repeated_content, repeated_text
    from metakit.plots.forests.forest import forest_figure

    answers = [(row, row.result) for row in finding.varied("added") if row.result is not None]
    if not answers:
        return None
    of_study = {study.name: study.study.year for study in finding.numbers}
    content = repeated_content(
        [found for _, found in answers],
        usable,
        labels=[
            f"{'+ ' if number else ''}{row.label} ({of_study[row.label]})"
            for number, (row, _) in enumerate(answers)
        ],
        row_heading="Added, by year",
        row_words="the mean of the named study and all above it",
        title=finding.title,
        left_words=_begun(finding.left_words),
        right_words=_begun(finding.right_words),
        level=finding.plan.level,
        footnotes=(
            "Exploratory sensitivity analysis.",
            *_how(finding),
            "Intervals looked at again with each study: the last one alone has its stated level.",
        ),
    )
    return _part(
        f"by-year-{name}",
        lambda width: forest_figure(content, width_mm=width),
        WIDE_MM,
        caption=f"Exploratory sensitivity analysis: the mean as {len(answers)} studies came out, year by "
        "year. It cannot tell whether a later study would turn it.",
        more=repeated_text(content),
        kinds=kinds,
    )


def _influence(finding: AnalysisFinding, studies: Robustness, name: str, kinds: Sequence[str]) -> FigurePart:
    from metakit.models.differing.again import spread_estimator_of
    from metakit.models.differing.influence import spread_of
    from metakit.plots.exploring.influence import influence_content, influence_figure, influence_text

    rows = studies.influences
    table, result = finding.table, finding.result
    if table is None or result is None:  # pragma: no cover - the caller has both
        raise ValueError("no table to look at")
    whole = spread_of(table.select(table.estimable), spread_estimator_of(result))
    # Leaving a study out takes away its own part of Q and the shift of the mean of the others.
    q = rows[0].q_without + rows[0].q_contribution + rows[0].mean_shift
    content = influence_content(rows, title=finding.title, tau2=whole, q=q)
    content = replace(content, footnotes=("Exploratory sensitivity analysis.", *content.footnotes))
    return _part(
        f"influence-{name}",
        lambda width: influence_figure(content, width_mm=width),
        WIDE_MM,
        caption="Exploratory sensitivity analysis: seven measures of what each study does to the answer; a "
        "long stem is a reason to read that paper again. It cannot tell whether the study is wrong.",
        more=influence_text(content),
        kinds=kinds,
    )


def _contribution(
    finding: AnalysisFinding, studies: Robustness, name: str, kinds: Sequence[str]
) -> FigurePart:
    from metakit.plots.exploring.contribution import (
        contribution_content,
        contribution_figure,
        contribution_text,
    )

    content = contribution_content(studies.influences, title=finding.title)
    content = replace(content, footnotes=("Exploratory sensitivity analysis.", *content.footnotes))
    return _part(
        f"disagreement-{name}",
        lambda width: contribution_figure(content, width_mm=width),
        NARROWER_MM,
        caption="Exploratory sensitivity analysis: which studies make the disagreement, and which move the "
        "mean. It cannot tell why a study lies apart.",
        more=contribution_text(content),
        kinds=kinds,
    )


def _specifications(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.exploring.specification import (
        specification_content,
        specification_figure,
        specification_text,
    )

    curve = finding.specifications
    if curve is None or not curve.answered:
        return None
    content = specification_content(curve, title=finding.title)
    return _part(
        f"all-ways-{name}",
        lambda width: specification_figure(content, width_mm=width),
        WIDE_MM,
        caption=f"{'Planned' if curve.planned else 'Exploratory'} sensitivity analysis: "
        f"{count(len(content.points), 'reasonable way')} to do this analysis, from the lowest answer to the "
        "highest. It cannot tell which way is right, and the ways share the same studies: a majority is no "
        "proof.",
        more=specification_text(content),
        kinds=kinds,
    )


def _funnel(
    finding: AnalysisFinding,
    studies: Robustness,
    usable: EffectTable,
    result: PoolResult,
    name: str,
    kinds: Sequence[str],
) -> FigurePart | None:
    from metakit.plots.exploring.small_study_marks import added_points, funnel_line
    from metakit.plots.forests.funnel import funnel_figure, funnel_text
    from metakit.plots.forests.funnel_content import funnel_content

    try:
        line = funnel_line(usable, "pet_peese")
    except MetakitError:  # the table beside the figure says why this method has no answer
        line = None
    added = added_points(usable, studies.filled)
    added_words = count(len(added), "study", "studies") if added else "no study"
    content = funnel_content(
        result,
        usable,
        title=finding.title,
        left_words=_begun(finding.left_words),
        right_words=_begun(finding.right_words),
        unit=unit_of(finding),
        vertical="standard_error",
        added=added,
        line=line,
        footnotes=("Exploratory sensitivity analysis.",),
    )
    return _part(
        f"small-studies-{name}",
        lambda width: funnel_figure(content, width_mm=width),
        NARROWER_MM,
        caption=f"Exploratory sensitivity analysis: the funnel with {added_words} that trim and fill would "
        f"add{'' if line is None else ', and the line of PET-PEESE'}. It cannot tell missing studies from "
        "true differences.",
        more=funnel_text(content),
        kinds=kinds,
    )


def _how(finding: AnalysisFinding) -> tuple[str, ...]:
    """Say how the means of a forest of means were made."""
    from metakit.plots.exploring.repeated import how_words

    return tuple(how_words(finding.result)) if finding.result is not None else ()


def _part(
    name: str,
    draw: Callable[[float], Figure],
    width_mm: float,
    *,
    caption: str,
    more: str,
    kinds: Sequence[str],
) -> FigurePart:
    return figure_part(
        name,
        draw(width_mm),
        redraw=lambda width, page_mm: (draw(width),),
        caption=caption,
        more=more,
        kinds=kinds,
    )


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]
