"""Agree: one disagreement at a time; what is decided is what `metakit reconcile` reads."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from metakit.forms.splice import plain_of
from metakit.review.check import check_paths
from tests.unit.desk.desks import Visitor, demo_review, visitor


@pytest.fixture
def review(tmp_path: Path) -> Path:
    folder = demo_review(tmp_path / "review")
    path = next((folder / "extractors" / "CD").glob("DEMO-04*"))
    path.write_text(path.read_text().replace("language: English", "language: French"))
    return folder


@pytest.fixture
def one(review: Path) -> Visitor:
    return visitor(review)


def decide(one: Visitor, **fields: str):
    sent = {"field": "study.language", "decision": "AB", "reason": "page 1", "seen": "", **fields}
    return one.post("/agree/DEMO-04", sent)


@pytest.mark.lengthy
def test_a_change_since_the_agreement_is_shown_and_settled(one: Visitor, review: Path) -> None:
    assert "changed since it was agreed" in one.get("/agree").text
    page = one.get("/agree/DEMO-04").text
    assert "English" in page
    assert "French" in page
    assert decide(one, decision="").json()["field"] == "decision"
    assert decide(one, reason=" ").json()["field"] == "reason"
    assert decide(one, decision="other").json()["field"] == "other_value"
    assert one.post("/agree/DEMO-04/write").status_code == 422
    before = (review / "reconcile" / "decisions.csv").read_text()
    assert decide(one, decision="other", other_value="German").json() == {"go": "/agree/DEMO-04"}
    rows = list(csv.DictReader((review / "reconcile" / "decisions.csv").read_text().splitlines()))
    assert [row["other_value"] for row in rows if row["field"] == "study.language"] == ["German"]
    assert all(line in (review / "reconcile" / "decisions.csv").read_text() for line in before.splitlines())
    assert one.post("/agree/DEMO-04/write").json() == {"go": "/agree/DEMO-04?all"}
    record = next((review / "records").glob("DEMO-04*"))
    assert plain_of(record.read_text())["study"]["language"] == "German"
    assert check_paths([review]).exit_status == 0
    assert "the agreed record stands in the review" in one.get("/agree/DEMO-04?all").text


def test_a_decision_taken_meanwhile_is_not_overwritten(one: Visitor, review: Path) -> None:
    assert decide(one, decision="AB").status_code == 200
    late = decide(one, decision="CD")
    assert late.status_code == 422
    assert "meanwhile" in late.json()["refused"]
    assert decide(one, decision="CD", seen="AB").status_code == 200


def test_what_one_typed_is_not_shown_before_both_have_handed_in(one: Visitor, review: Path) -> None:
    home = review / "extractors" / "CD"
    (home / "unfinished").mkdir()
    path = next(home.glob("DEMO-04*"))
    path.rename(home / "unfinished" / path.name)
    answer = one.get("/agree/DEMO-04")
    assert answer.status_code == 404
    assert "French" not in answer.text
    assert "French" not in one.get("/agree").text
    assert one.get("/agree/nothing").status_code == 404


def test_the_keyboard_order_of_a_disagreement_is_values_then_decision_then_reason(one: Visitor) -> None:
    page = one.get("/agree/DEMO-04").text
    places = [
        page.index(text)
        for text in ("AB typed", "CD typed", 'name="decision"', 'name="reason"', "Decide</button>")
    ]
    assert places == sorted(places)
    assert not re.search(r"\son\w+=|style=", page)
