"""Answers at the desk: the planned one stands, what is tried stands beside it, the plan changes with a reason."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from metakit.desk.reviewing import reviewed
from metakit.review.history import read_history
from metakit.review.plan import plan_standing
from metakit.synthesis.analysis import analyse
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.returning.returns import with_return_outcomes
from tests.unit.desk.desks import Visitor, demo_review, visitor

ANALYSIS = "nerve_lrti"
HOME = f"/answers/{ANALYSIS}"
REASON = "the trials differ too little for a spread to be told"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Visitor:
    return visitor(demo_review(tmp_path_factory.mktemp("answers") / "review"))


def text_of(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def tried(desk: Visitor, **query: str) -> str:
    answer = desk.get(f"{HOME}/tried", params=query)
    assert answer.status_code == 200, answer.text
    return str(answer.json()["html"])


@pytest.mark.lengthy
def test_the_page_tells_the_report_s_sentence_and_draws_it(desk: Visitor) -> None:
    review = reviewed(desk.desk).review
    plan = next(plan for plan in review.protocol.analyses if plan.id == ANALYSIS)
    studies = tuple(map(with_return_outcomes, review.studies))
    sentence = analyse(plan, review.protocol, studies, display_names(review.studies)).sentences[0]
    page = desk.get(HOME)
    assert page.status_code == 200
    assert sentence in text_of(page.text) and "Planned" in text_of(page.text)
    assert "<svg" in page.text and " style=" not in page.text and "<style" not in page.text
    assert sentence in text_of(desk.get("/answers").text)


def test_what_is_tried_says_so_and_what_differs(desk: Visitor) -> None:
    said = text_of(tried(desk, leave_out="DEMO-01", model="common_effect"))
    assert "Tried, not kept" in said and "Differs from the plan: without " in said
    assert "It is no plan" in said
    assert "Nothing is tried" in text_of(tried(desk))


def test_only_a_change_of_plan_can_be_kept(desk: Visitor) -> None:
    assert "Change the plan" in tried(desk, model="common_effect")
    assert "Change the plan" not in tried(desk, model="common_effect", leave_out="DEMO-01")
    assert "Change the plan" not in tried(desk, leave_out="DEMO-01")


def test_trying_changes_no_file(desk: Visitor) -> None:
    before = {path: path.read_bytes() for path in desk.desk.folder.rglob("*") if path.is_file()}
    tried(desk, model="common_effect")
    desk.get(HOME, params={"leave_out": "DEMO-01"})
    after = {path: path.read_bytes() for path in desk.desk.folder.rglob("*") if path.is_file()}
    assert before == {path: after[path] for path in before}


@pytest.mark.parametrize("query", [{"leave_out": "<b>"}, {"model": "guess"}, {"event": "DEMO-01|Z|+1"}])
def test_what_is_not_there_is_told_on_the_page(desk: Visitor, query: dict[str, str]) -> None:
    said = tried(desk, **query)
    assert 'role="alert"' in said and "<b>" not in said


def test_odd_addresses_are_told(desk: Visitor) -> None:
    assert desk.get("/answers/none").status_code == 404
    assert desk.get(f"{HOME}/tried", params={"event": "x"}).status_code == 422


@pytest.mark.lengthy
def test_a_change_of_plan_is_written_with_its_reason_and_the_plan_before_stays(tmp_path: Path) -> None:
    desk = visitor(demo_review(tmp_path / "review"))
    protocol = desk.desk.folder / "protocol.yaml"
    before = protocol.read_text(encoding="utf-8")
    old = plan_standing(desk.desk.protocol().group.plain())  # type: ignore[union-attr]
    refused = desk.post(f"{HOME}/keep", {"model": "common_effect", "why": "because"})
    assert refused.status_code == 422 and refused.json()["field"] == "why"
    assert desk.post(f"{HOME}/keep", {"model": "guess", "why": REASON}).status_code == 422
    assert protocol.read_text(encoding="utf-8") == before
    assert desk.post(f"{HOME}/keep", {"model": "common_effect", "why": REASON}).json() == {"go": HOME}
    group = desk.desk.protocol().group
    assert group is not None and desk.desk.protocol().sound
    amendment = group.groups("amendments")[-1]
    assert amendment.text("why") == f"{REASON} (AB)" and amendment.flag("data_seen") is True
    lines = protocol.read_text(encoding="utf-8").splitlines()
    assert len(lines) - len(before.splitlines()) <= 8  # spliced, not written anew
    events, _ = read_history(desk.desk.folder)
    standing = plan_standing(group.plain(), events)
    assert standing.status == "amended"
    assert old.hash in json.dumps([event.get("hash") for event in events])
    assert ANALYSIS in " ".join(standing.changes)
    planned = text_of(desk.get(HOME).text)
    assert "as planned: common effect" in planned


@pytest.mark.lengthy
def test_a_review_with_errors_says_why_there_are_no_answers(tmp_path: Path) -> None:
    folder = demo_review(tmp_path / "review")
    record = next((folder / "records").glob("*.yaml"))
    record.write_text(record.read_text(encoding="utf-8").replace("year:", "year: x", 1), encoding="utf-8")
    page = visitor(folder).get("/answers")
    assert page.status_code == 200 and "There are no answers yet" in page.text and record.name in page.text


def test_what_is_tried_is_drawn_on_the_planned_axis_where_it_fits(desk: Visitor) -> None:
    from metakit.desk.tried import choice_of, shown_answer

    planned = shown_answer(desk.desk, ANALYSIS, choice_of({}))
    tried = shown_answer(desk.desk, ANALYSIS, choice_of({"model": "common_effect"}))
    assert planned.axis is not None
    assert tried.axis == planned.axis
    assert "Tried, not planned" in tried.picture and "Tried" not in planned.picture
