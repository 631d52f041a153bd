"""Why studies disagree, on the page: planned and exploratory apart, refusals told, no names of codes."""

from __future__ import annotations

import re
from functools import cache

import pytest

from metakit.report.drawing.exploration_figures import bubble_figures, robustness_figures
from metakit.report.drawing.exploration_parts import ExplorationFigures
from metakit.report.drawing.figures import ReportFigures, ResultPart
from metakit.report.page import Page
from metakit.report.sections import explorations, robustness
from metakit.report.sections.explorations import Questioned, Told
from metakit.report.sections.robustness import Surviving
from metakit.synthesis.exploring.moderator_shapes import MODERATORS
from metakit.synthesis.findings import Findings
from metakit.telling.facts import RESULT

_shared: list[Findings] = []


@pytest.fixture(autouse=True, scope="module")
def demonstration(demo_findings: Findings) -> None:
    """Take what the demonstration review found from the fixture that computes it once a run."""
    _shared[:] = [demo_findings]


@cache
def page() -> Page:
    (findings,) = _shared
    results = tuple(
        ResultPart(
            finding=item, anchor=f"{RESULT}{item.plan.id}", label=item.term.label, forest=None, funnel=None
        )
        for item in findings.analyses
    )
    named = [(part.name, part.finding) for part in results]
    drawn = ExplorationFigures(
        bubbles={
            (name, key): part
            for name, finding in named
            for key, part in bubble_figures(finding, name, (".svg",)).items()
        },
        robustness={name: robustness_figures(finding, name, (".svg",)) for name, finding in named},
    )
    figures = ReportFigures(overview=None, overview_parts=(), results=results, explorations=drawn)
    return Page(findings=findings, figures=figures)


@cache
def told() -> dict[tuple[str, str], Told]:
    content = explorations.build(page())
    assert content is not None
    found = content["found"]
    assert isinstance(found, list)
    assert all(isinstance(one, Questioned) for one in found)
    return {(one.part.finding.plan.id, item.told.exploration.id): item for one in found for item in one.items}


def words(item: Told) -> str:
    parts = [item.told.title, item.told.asked, *item.told.out, *item.told.sure, item.told.refusal]
    parts += [*item.told.left_out, *item.told.notes, item.told.short, item.told.short_sure]
    parts += [text for line in item.told.lines for text in (line.what, line.names)]
    parts += [text for row in item.checklist for text in (row.question, row.answer)]
    if item.bubble is not None:
        parts += [item.bubble.caption, item.bubble.text]
    return " ".join(parts)


@pytest.mark.walk
def test_the_demonstration_shows_a_fitted_and_a_refused_regression_and_fitted_subgroups() -> None:
    refused = told()["complications_lrti", "mp_and_complications"]
    fitted = told()["complications_lrti_any", "mp_and_complications"]
    groups = told()["complications_lrti_any", "design_of_comparisons"]
    assert refused.told.refusal and refused.bubble is None and not refused.checklist
    assert fitted.told.exploration.meta_regression is not None and fitted.bubble is not None
    assert groups.told.exploration.subgroups is not None and len(groups.told.lines) == 2
    assert groups.told.lines[0].what == "Randomised trials"
    assert "DEMO-07 Dunsprey" in " ".join(fitted.told.left_out)
    assert "permutation p" in " ".join(fitted.told.sure)
    assert fitted.told.lines[0].new_study and fitted.told.lines[0].difference


def test_planned_and_exploratory_are_told_apart_in_words_and_captions() -> None:
    assert {item.told.exploration.planned for item in told().values()} == {True, False}
    for item in told().values():
        planned = item.told.exploration.planned
        assert item.told.asked.startswith("Asked in the plan" if planned else "Asked when results were known")
        if item.bubble is not None:
            assert item.bubble.caption.startswith("Planned" if planned else "Exploratory")
            assert "cannot tell" in item.bubble.caption
        if item.checklist:
            assert (item.checklist[0].side == "speaks for it") is planned


def test_no_name_of_a_code_reaches_the_page() -> None:
    names = [entry.name for entry in MODERATORS if "_" in entry.name]
    assert names
    for key, item in told().items():
        assert not re.search(r"\b[a-z]+(_[a-z0-9]+)+\b", words(item)), key


# The numbers of the section are those of the models: exp of the slope, and of its ends.
def test_the_slope_is_said_as_a_factor() -> None:
    item = told()["complications_lrti_any", "year_and_complications"]
    fit = item.told.exploration.meta_regression
    assert fit is not None
    factor = 2.718281828459045 ** fit.coefficients[1].estimate
    assert f"multiplied by {factor:.2f} " in item.told.out[0]


def surviving() -> list[Surviving]:
    content = robustness.build(page())
    assert content is not None
    items = content["items"]
    assert isinstance(items, list)
    return items


def test_every_figure_stands_once_says_what_it_is_and_what_it_cannot_tell() -> None:
    drawn = page().figures.explorations.all
    assert len({part.name for part in drawn}) == len(drawn) >= 12
    for part in drawn:
        assert re.match(
            r"(Planned|Exploratory) (sensitivity analysis|regression|subgroups):", part.caption
        ), part.name
        assert "cannot tell" in part.caption, part.name
        assert part.text.startswith(part.caption) and len(part.text) > len(part.caption) + 20
        assert part.files.keys() == {".svg"}
        assert len(part.drawn(width_mm=85.0)) == 1


def test_ten_studies_bring_the_small_study_methods_and_fewer_do_not() -> None:
    for item in surviving():
        if item.studies is None:
            continue
        enough = len(item.studies.without) >= 10
        assert bool(item.studies.adjusted) is enough, item.title
        assert (item.figures.funnel is not None) is enough, item.title
    (broad,) = [item for item in surviving() if item.studies is not None and item.studies.adjusted]
    labels = [row.label for row in broad.studies.adjusted] if broad.studies else []
    assert any(label.startswith("trim and fill") for label in labels)
    assert "PET-PEESE" in labels


@pytest.mark.parametrize(
    "kind", ["leave_one_out", "cumulative", "influence", "contribution", "specifications"]
)
def test_each_kind_of_figure_is_drawn(kind: str) -> None:
    assert any(getattr(item.figures, kind) is not None for item in surviving())
