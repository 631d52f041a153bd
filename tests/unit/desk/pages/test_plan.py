"""Plan: filled in like a record, recorded once it is whole; a later change shows."""

from __future__ import annotations

import datetime
from pathlib import Path

from metakit.core.files import sha256_of
from metakit.forms.splice import plain_of
from metakit.review.folder import read_protocol
from metakit.review.new import new_review
from tests.unit.desk.desks import Visitor, visitor

ANSWERS = {
    "review.id": "my_review", "review.title": "Trapezium out or tendon in?", "review.question": "Which is better?",
    "population": "Adults with painful arthritis", "unit_of_analysis": "thumbs", "icc": "0.3",
    "review.date": datetime.date.today().isoformat(),
}  # fmt: skip


def put(one: Visitor, address: str, new: str, old: str = "") -> None:
    path = one.desk.folder / "protocol.yaml"
    sent = {"address": address, "old": old, "new": new, "sha256": sha256_of(path)}
    answer = one.post("/plan/set", sent)
    assert answer.status_code == 200, (address, answer.text)


def write_plan(one: Visitor) -> None:
    for address, value in ANSWERS.items():
        put(one, address, value, "review" if address == "review.id" else "")
    added = {
        "list": "outcomes",
        "key.outcome": "any_complication",
        "key.importance": "critical",
        "key.window": "12_months",
    }
    assert one.post("/plan/add", added).json() == {"go": "/plan/outcomes%5B1%5D"}
    added = {
        "list": "comparisons",
        "key.id": "lrti",
        "key.label": "LRTI against trapeziectomy",
        "key.technique": "lrti",
    }
    assert one.post("/plan/add", added).json() == {"go": "/plan/comparisons%5B1%5D"}
    put(one, "comparisons[1].technique_label", "LRTI")
    put(one, "comparisons[1].comparator", "trapeziectomy")
    put(one, "comparisons[1].comparator_label", "trapeziectomy alone")
    added = {
        "list": "analyses",
        "key.id": "complications",
        "key.outcome": "any_complication",
        "key.measure": "risk_ratio",
    }
    assert one.post("/plan/add", added).json() == {"go": "/plan/analyses%5B1%5D"}
    put(one, "analyses[1].comparison", "lrti")


def test_from_the_empty_protocol_to_a_recorded_plan(tmp_path: Path) -> None:
    one = visitor(new_review(tmp_path / "review", record=False))
    before = (tmp_path / "review" / "protocol.yaml").read_text()
    assert "to mend or fill in" in one.get("/plan").text
    assert one.post("/plan/record", {"sure": "yes"}).status_code == 422
    write_plan(one)
    text = (tmp_path / "review" / "protocol.yaml").read_text()
    assert [line for line in before.splitlines() if line.lstrip().startswith("#")] == [
        line for line in text.splitlines() if line.lstrip().startswith("#")
    ]  # every explanation stays
    assert len(plain_of(text)["outcomes"]) == 1  # the empty entry was filled in, none was added
    assert read_protocol(tmp_path / "review").title == ANSWERS["review.title"]
    assert "Record this plan" in one.get("/plan").text
    assert one.post("/plan/record", {"sure": "yes"}).json() == {"go": "/plan"}
    page = one.get("/plan").text
    assert "recorded in the history" in page
    put(one, "icc", "0.5", "0.3")
    page = one.get("/plan").text
    assert "was amended" in page
    assert "Record this plan" in page


def test_a_numbered_entry_is_not_removed_from_a_file_that_was_not_seen(tmp_path: Path) -> None:
    one = visitor(new_review(tmp_path / "review", record=False))
    write_plan(one)
    path = tmp_path / "review" / "protocol.yaml"
    stale = one.post("/plan/remove", {"address": "analyses[1]", "sha256": "0" * 64})
    assert "changed elsewhere" in stale.json()["refused"]
    assert one.post("/plan/remove", {"address": "analyses[1]", "sha256": sha256_of(path)}).status_code == 200
    assert not plain_of(path.read_text())["analyses"]
