"""A unit's page: one file that asks for nothing, whatever a person typed."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import html5lib
import pytest

from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.report.unit_page import write_unit_page
from tests.unit.decision.one_unit.test_unit_decision import SCENARIO, WEIGHTS
from tests.unit.decision.units import COMPLICATIONS, HEAD, SCORES, decided
from tests.unit.report.test_page import HOSTILE, HTML, OURS


@pytest.fixture(scope="module")
def decision(tmp_path_factory: pytest.TempPathFactory) -> UnitDecision:
    return decided(tmp_path_factory.mktemp("unit"), *WEIGHTS, end=SCENARIO)


@pytest.fixture(scope="module")
def page(decision: UnitDecision, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_unit_page(decision, tmp_path_factory.mktemp("page"))


@pytest.mark.lengthy
def test_the_page_stands_alone_with_its_numbers(page: Path, decision: UnitDecision) -> None:
    html = page.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(html)
    assert "default-src 'none'" in unescape(html)
    assert "<script" not in html
    assert not re.findall(r'(?:src|href)="(?:https?:)?//', html)
    answer = json.loads((page.parent / "unit.json").read_text(encoding="utf-8"))
    assert answer["unit"]["thumbs_a_year"] == 120
    for link in re.findall(r'href="(figures/[^"]+)"', html):
        assert (page.parent / link).is_file()
    anchors = set(re.findall(r'id="([^"]+)"', html))
    assert set(re.findall(r'href="#([^"]+)"', html)) <= anchors


def test_no_cell_of_a_stacked_table_has_a_name_and_nothing_beside_it(page: Path) -> None:
    """On a phone a score's row said `Plan for:` and then nothing."""
    html = page.read_text(encoding="utf-8")
    assert re.findall(r"<td data-label=[^>]*>(?:<strong[^>]*></strong>)?</td>", html) == []
    # What holds only for one true rate now is not said of all audits.
    assert "5 of 100 audits in which nothing changed leave the limits if the true rate is the one" in html


def test_the_answer_comes_first_and_every_part_is_there(page: Path) -> None:
    html = page.read_text(encoding="utf-8")
    order = [
        "INVENTED DEMONSTRATION DATA", "Should we change our standard technique?", "recommends nothing",
        "What to plan for</h2>", "Theatre hours and money</h2>", "Your own audit</h2>", "Cautions</h2>", "Local codes",
        "Every expected number</h2>", "Over the years", "Outcomes weighed by you", "Two outcomes at once",
        "What drives the answer", "What would have to be true", "Stated scenarios", "What this rests on",
        "How it was computed",
    ]  # fmt: skip
    main = html[html.index("<header") :]
    main = main[: main.index("<nav")] + main[main.index("<main") :]
    places = [main.index(words) for words in order]
    assert places == sorted(places)
    # Cautions are said once.
    for text in (
        "Real hazards are not constant",
        "Local codes",
        "reluctance to revise",
        "95 of 100 units like",
    ):
        assert html.count(text) == 1, text
    assert "very low; nobody has signed this" in html


def test_the_same_answer_gives_the_same_bytes(page: Path, decision: UnitDecision, tmp_path: Path) -> None:
    again = write_unit_page(decision, tmp_path)
    for path in sorted(page.parent.rglob("*")):
        if path.is_file():
            assert (tmp_path / path.relative_to(page.parent)).read_bytes() == path.read_bytes()
    assert again.name == page.name


def test_every_figure_has_words_for_those_who_do_not_see_it(page: Path) -> None:
    html = page.read_text(encoding="utf-8")
    figures = re.findall(r"<svg\b.*?</svg>", html, re.DOTALL)
    assert len(figures) == 2 * 5  # audit, expected events, drivers, two pairs of outcomes, each in two widths
    for figure in figures:
        assert 'role="img"' in figure
        (words,) = re.findall(r"<desc[^>]*>(.*?)</desc>", figure, re.DOTALL)
        assert len(words) > 60


@pytest.mark.walk
@pytest.mark.parametrize("kind", ["breaking_out", "right_to_left", "unbroken"])
def test_hostile_names_stay_text(kind: str, decision: UnitDecision, tmp_path: Path) -> None:
    text = HOSTILE[kind]
    unit = decision.unit
    techniques = tuple(replace(item, label=text) for item in unit.techniques)
    by_id = {item.id: item for item in techniques}
    cells = {id(cell): replace(cell, technique=by_id[cell.technique.id]) for cell in decision.cells}
    found = replace(
        decision,
        unit=replace(
            unit, name=text, note=text, currency=text, techniques=techniques,
            case_mix=tuple(replace(item, label=text) for item in unit.case_mix),
        ),
        cells=tuple(cells.values()),
        expectations=tuple(replace(item, cell=cells[id(item.cell)]) for item in decision.expectations),
        evidence=tuple(replace(item, cell=cells[id(item.cell)]) for item in decision.evidence),
        burdens=tuple(replace(item, technique=by_id[item.technique.id]) for item in decision.burdens),
        workloads=tuple(replace(item, technique=by_id[item.technique.id]) for item in decision.workloads),
        drivers=tuple(replace(item, technique=by_id[item.technique.id]) for item in decision.drivers),
        scenarios=(),
    )  # fmt: skip
    path = write_unit_page(found, tmp_path)
    tree = html5lib.parse(path.read_text(encoding="utf-8"))
    body = tree.find(f"{HTML}body")
    assert body is not None
    names = {
        element.tag.removeprefix(HTML)
        for element in body.iter()
        if isinstance(element.tag, str) and element.tag.startswith(HTML)
    }
    assert names <= OURS
    assert not any(name.startswith("on") for element in body.iter() for name in element.attrib)
    json.loads((tmp_path / "unit.json").read_text(encoding="utf-8"))


def test_a_unit_of_scores_alone_and_of_one_technique_have_pages(tmp_path: Path) -> None:
    scores = write_unit_page(decided(tmp_path, SCORES), tmp_path / "scores")
    text = scores.read_text(encoding="utf-8")
    assert "Over the years" not in text and "mean difference to trapeziectomy alone" in text
    head = HEAD.replace("  - {id: lrti, technique: lrti, label: LRTI, theatre_minutes: 80, cost: 1500}\n", "")
    outcome = COMPLICATIONS.replace("    effects: [{technique: lrti, analysis: complications}]\n", "")
    alone = write_unit_page(decided(tmp_path, outcome, head=head), tmp_path / "alone").read_text(
        encoding="utf-8"
    )
    assert "What drives the answer" not in alone and "What this rests on" not in alone
    html5lib.HTMLParser(strict=True).parse(alone)
