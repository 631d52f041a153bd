"""Many figures stand beside the page, loaded as a reader comes near; few stand in it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from markupsafe import Markup

from metakit.report.drawing import figures as drawing
from metakit.report.drawing.figure_parts import FigurePart
from metakit.report.drawing.figures import ReportFigures, ResultPart, beside_the_page, draw_all
from tests.unit.report.test_write import carried_out


def part(name: str) -> FigurePart:
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="510.2pt" height="77pt" viewBox="0 0 510.2 77"></svg>'
    )
    return FigurePart(name=name, svg=svg, caption="One.", text='One "quoted" <b>.', files={})


def test_a_figure_beside_the_page_is_an_image_with_its_size_and_its_words() -> None:
    (moved,) = beside_the_page((part("forest-01"),))
    assert moved.markup == Markup(
        '<img src="figures/forest-01.svg" loading="lazy" decoding="async" '
        'alt="One &#34;quoted&#34; &lt;b&gt;." width="510" height="77">'
    )


def test_every_figure_of_a_report_is_moved_and_nothing_else_is_touched() -> None:
    finding: Any = SimpleNamespace()
    figures = ReportFigures(
        overview=part("overview"),
        overview_parts=(part("overview-1"),),
        results=(ResultPart(finding=finding, anchor="a", label="l", forest=part("f"), funnel=None),),
        trouble=(part("t"),),
    )
    moved = beside_the_page(figures)
    assert [one.name for one in moved.all] == [one.name for one in figures.all]
    assert all(one.beside for one in moved.all)
    assert moved.results[0].finding is finding
    assert not any(one.beside for one in figures.all)


@pytest.mark.lengthy
def test_more_figures_than_a_page_holds_stand_beside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    findings = carried_out()
    monkeypatch.setattr(drawing, "MOST_ON_PAGE", 1)
    many = draw_all(findings, kinds=(".svg",), progress=lambda text: None)
    assert all(one.beside and one.files[".svg"] for one in many.all)
    without = draw_all(findings, kinds=(), progress=lambda text: None)
    assert without.all and not any(one.beside for one in without.all)  # no file to show
