"""Whether the answers would survive: other choices, one study less, small studies; planned or exploratory."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

from metakit.measures.registry import MEASURES
from metakit.report.drawing.exploration_parts import RobustnessFigures
from metakit.report.drawing.figures import ResultPart
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.synthesis.choices.robustness import Robustness
from metakit.synthesis.choices.robustness_words import (
    effect_lines,
    end_lines,
    refusal_lines,
    sensitivity_lines,
    sensitivity_sentences,
    sign_words,
    specification_sentences,
)
from metakit.synthesis.findings import AnalysisFinding
from metakit.telling.option_words import option_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Surviving:
    """All that is shown about one comparison; the title names the measure where another has the same."""

    finding: AnalysisFinding
    title: str
    measure: str
    studies: Robustness | None
    figures: RobustnessFigures
    curve_standing: str = ""
    shifts: tuple[str, ...] = ()
    ways: tuple[str, ...] = ()
    signs: str = ""
    unit: str = ""
    choices: list[dict[str, str]] = field(default_factory=list)
    options: list[dict[str, str]] = field(default_factory=list)
    ends: list[dict[str, str]] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    notes: tuple[str, ...] = ()


def build(page: Page) -> Content | None:
    """Return what each comparative answer rests on."""
    drawn = page.figures.explorations.robustness
    items = [
        item
        for part in page.figures.results
        if (item := _surviving(part, drawn.get(part.name, RobustnessFigures()))) is not None
    ]
    if not items:
        return None
    if any(item.figures.influence for item in items):
        page.citations.numbers(("viechtbauer_cheung_2010", "baujat_2002", "lau_1992"))
    titles = Counter(item.title for item in items)
    items = [
        replace(item, title=f"{item.title} ({MEASURES[item.finding.plan.measure].label})")
        if titles[item.title] > 1
        else item
        for item in items
    ]
    if any(item.studies is not None and item.studies.small is not None for item in items):
        page.citations.number("sterne_2011")
    if any(item.options for item in items):
        page.citations.numbers(("simonsohn_2020", "voracek_2019"))
    if any(item.studies is not None and item.studies.adjusted for item in items):
        page.citations.numbers(
            ("duval_tweedie_2000", "stanley_doucouliagos_2014", "vevea_hedges_1995", "rucker_2011")
        )
    plan = page.findings.plan
    return {"items": items, "plan": plan.sentences if plan else ()}


def _surviving(part: ResultPart, figures: RobustnessFigures) -> Surviving | None:
    finding = part.finding
    if finding.result is None or not finding.comparative:
        return None
    studies, table, curve = figures.studies, finding.sensitivity_table, finding.specifications
    if studies is None and table is None and curve is None:
        return None
    answered = curve is not None and bool(curve.rows)
    return Surviving(
        finding=finding,
        title=finding.title,
        studies=studies,
        figures=figures,
        measure=MEASURES[finding.plan.measure].label,
        curve_standing="" if curve is None else "planned" if curve.planned else "exploratory",
        shifts=sensitivity_sentences(table) if table else (),
        ways=specification_sentences(curve) if curve else (),
        signs=sign_words(finding.left_words, finding.right_words),
        unit=table.unit if table else curve.unit if curve else "",
        choices=sensitivity_lines(table) if table else [],
        options=effect_lines(curve) if curve and answered else [],
        ends=end_lines(curve) if curve and answered else [],
        refusals=[option_words(line) for line in refusal_lines(curve)] if curve else [],
        notes=curve.notes if curve else (),
    )


SECTIONS.add(
    Section(name="robustness", title="Would the answers survive?", template="robustness.html.j2", build=build)
)
