"""A department's inputs move and its ranges with them; at rest they are those of the department's page."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from metakit.decision.one_unit.unit_answer import burdens, expectations
from metakit.decision.one_unit.unit_cells import cells_of
from metakit.decision.one_unit.unit_links import asked_only, links
from metakit.decision.one_unit.unit_reading import read_unit
from metakit.desk import moved_unit as moving
from metakit.desk.moved_unit import ROUGH, inputs_of, moved_unit, shown_unit
from metakit.desk.reviewing import reviewed
from metakit.errors import UsageError
from metakit.report.unit_tables import counts_words, other_side_words, signed_words
from tests.unit.desk.desks import Visitor, demo_review, visitor


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Visitor:
    return visitor(demo_review(tmp_path_factory.mktemp("department") / "review"))


def test_inputs_have_the_limits_of_the_file(desk: Visitor) -> None:
    unit = read_unit(desk.desk.folder / "unit.yaml")
    found = {item.name: item for item in inputs_of(unit)}
    assert (found["volume"].lowest, found["volume"].value, found["volume"].highest) == (95, 120, 140)
    assert (found["weight_revision_index"].lowest, found["weight_revision_index"].highest) == (5, 20)
    assert found["events_any_complication"].highest == 96
    assert not found["weight_any_complication"].typed


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ({"volume": "9"}, "outside 95 to 140"),
        ({"volume": "many"}, "is no number"),
        ({"years": "nan"}, "outside"),
    ],
)
def test_what_lies_outside_is_refused(desk: Visitor, query: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        moved_unit(read_unit(desk.desk.folder / "unit.yaml"), query)


@pytest.mark.walk
def test_the_ranges_are_those_of_the_department_s_page(
    desk: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same draws as `decide` makes, with answers carried out one by one."""
    import numpy as np

    from metakit.synthesis.analysis import analyse
    from metakit.synthesis.gathering.arms import display_names
    from metakit.synthesis.returning.returns import with_return_outcomes

    review = reviewed(desk.desk).review
    unit = read_unit(desk.desk.folder / "unit.yaml")
    chosen = links(unit, review.protocol)
    studies = tuple(map(with_return_outcomes, review.studies))
    names = display_names(review.studies)
    asked = asked_only(review.protocol, chosen)
    answers = moving._answers(desk.desk, set())
    found = replace(
        answers, analyses=tuple(analyse(plan, review.protocol, studies, names) for plan in asked.analyses)
    )
    random = np.random.default_rng(unit.seed)
    cells = cells_of(unit, chosen, found, random=random, size=ROUGH)
    expected = expectations(unit, cells, random=random)
    shown = shown_unit(desk.desk, "unit", {}, rest=False)
    rows = {(label, row[0]): row for label, _, rows in shown.outcomes for row in rows}
    for item in expected:
        if item.cohort is None:
            continue
        name = item.cell.technique.label + (", as now" if item.cell.is_current else "")
        row = rows[item.cell.outcome.term.label, name]
        assert row[1] == counts_words(item.cohort)
        if item.change:
            assert row[4] == signed_words(item.change)
            assert (row[5] != "") == (item.cohort.extreme or bool(other_side_words(item.change)))
    assert any("a few extreme draws make this mean" in row[5] for row in rows.values())
    assert len(shown.burdens) == len(burdens(unit, cells))


def first_count(html: str) -> float:
    return float(re.search(r'data-label="Plan for">([\d.]+)', html)[1])  # type: ignore[index]


def test_more_thumbs_are_more_events_and_the_page_says_what_was_moved(desk: Visitor) -> None:
    few = desk.get("/department/unit/moved", params={"volume": "95"}).json()["html"]
    many = desk.get("/department/unit/moved", params={"volume": "140"}).json()["html"]
    assert first_count(many) / first_count(few) == pytest.approx(140 / 95, rel=0.05)
    assert "140 instead of 120" in many and "rough, from 10,000 draws" in many


def test_draws_are_kept_while_only_volume_or_weights_move(
    desk: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown_unit(desk.desk, "unit", {}, rest=False)
    monkeypatch.setattr(moving, "_cells", lambda *_: pytest.fail("drawn again"))
    shown_unit(desk.desk, "unit", {"volume": "111", "weight_revision_index": "9"}, rest=False)
    with pytest.raises(pytest.fail.Exception):
        shown_unit(desk.desk, "unit", {"events_any_complication": "30"}, rest=False)


@pytest.mark.lengthy
def test_at_rest_all_draws_are_made_and_the_drivers_told(
    desk: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("metakit.decision.one_unit.expected.DRAWS", 20_000)
    desk.get("/department/unit/moved", params={"years": "4"})
    html = desk.get("/department/unit/moved", params={"years": "4", "rest": "1"}).json()["html"]
    assert "from 20,000 draws" in html and "rough" not in html
    assert "What drives the difference" in html
    desk.get(
        "/department/unit/moved", params={"years": "5"}
    )  # moved on: the whole for the old years is not made
    late = desk.get("/department/unit/moved", params={"years": "3", "rest": "1"}).json()["html"]
    assert "rough" in late


def test_the_page_recommends_nothing_and_has_no_inline_style(desk: Visitor) -> None:
    page = desk.get("/department")
    assert page.status_code == 200
    assert "recommended" in page.text and " style=" not in page.text
    assert desk.get("/department/none").status_code == 404


def test_volume_and_years_are_typed_into_the_file_and_nothing_else(tmp_path: Path) -> None:
    desk = visitor(demo_review(tmp_path / "review"))
    path = desk.desk.folder / "unit.yaml"
    before = path.read_text(encoding="utf-8")
    assert desk.post("/department/unit/set", {"volume": "99999"}).status_code == 422
    assert desk.post("/department/unit/set", {}).status_code == 422
    assert path.read_text(encoding="utf-8") == before
    assert desk.post("/department/unit/set", {"volume": "130"}).json() == {"go": "/department/unit"}
    assert path.read_text(encoding="utf-8") == before.replace("thumbs_a_year: 120", "thumbs_a_year: 130")


def test_a_review_without_a_department_says_how_to_make_one(tmp_path: Path) -> None:
    folder = demo_review(tmp_path / "review")
    (folder / "unit.yaml").unlink()
    assert "no department yet" in visitor(folder).get("/department").text
