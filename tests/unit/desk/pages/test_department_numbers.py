"""A department's file is begun and filled in at the desk alone, and equals one typed by hand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from metakit.decision.one_unit.unit_reading import read_unit
from metakit.forms.splice import plain_of
from tests.unit.desk.desks import Visitor, demo_review, visitor


@pytest.fixture
def one(tmp_path: Path) -> Visitor:
    review = demo_review(tmp_path / "review")
    (review / "unit.yaml").unlink()
    return visitor(review)


def put(one: Visitor, part: str, address: str, new: str) -> None:
    page = one.get(f"/department/unit/numbers/{part}").text
    assert f'data-address="{address}"' in page, address
    digest = re.search(r'data-sha256="(\w+)"', page)[1]
    sent = {"address": address, "old": "", "new": new, "sha256": digest}
    answer = one.post("/department/unit/numbers/set", sent)
    assert answer.status_code == 200, answer.text


def add(one: Visitor, listed: str, **keys: str) -> str:
    sent = {"list": listed, **{f"key.{name}": text for name, text in keys.items()}}
    return one.post("/department/unit/numbers/add", sent).json()["go"]


@pytest.mark.lengthy
def test_a_department_from_nothing_without_a_terminal(one: Visitor) -> None:
    assert "Begin a department" in one.get("/department").text
    assert one.post("/department/begin", {"name": "unit"}).json() == {"go": "/department/unit/numbers"}
    first = one.get("/department/unit/numbers")
    assert first.headers["location"] == "/department/unit/numbers/report"
    assert "not complete" in one.get("/department/unit").text
    for address, new in (
        ("unit.name", "Ward seven (invented)"), ("volume.thumbs_a_year", "80"), ("time.years_followed", "2"),
    ):  # fmt: skip
        put(one, "report", address, new)
    for name, technique in (("now", "trapeziectomy"), ("thought", "lrti")):
        listed = add(one, "techniques", id=name)
        assert listed == f"/department/unit/numbers/techniques%5B{name}%5D"
        put(one, f"techniques[{name}]", f"techniques[{name}].technique", technique)
        put(one, f"techniques[{name}]", f"techniques[{name}].label", name)
    put(one, "closing", "current_technique", "now")
    add(one, "outcomes", outcome="any_complication")
    entry = "outcomes[any_complication]"
    for name, new in (
        ("events", "12"), ("thumbs", "96"), ("months", "12"), ("kind", "unit_audit"), ("source", "our audit"),
    ):  # fmt: skip
        put(one, entry, f"{entry}.baseline.{name}", new)
    add(one, f"{entry}.effects", technique="thought")
    put(one, entry, f"{entry}.effects[thought].analysis", "complications_lrti")
    found = read_unit(one.desk.folder / "unit.yaml")
    assert (found.name, found.volume.value, found.years.value) == ("Ward seven (invented)", 80, 2)
    assert [item.id for item in found.techniques] == ["now", "thought"]
    page = one.get("/department").text
    assert "What to expect" in page
    assert "Ward seven (invented)" in page


@pytest.mark.parametrize("name", ["", "Unit", "../unit", "a b", "1unit", "x" * 41])
def test_only_short_names_become_files(one: Visitor, name: str) -> None:
    before = sorted(path.name for path in one.desk.folder.iterdir())
    answer = one.post("/department/begin", {"name": name})
    assert (answer.status_code, answer.json()["field"]) == (422, "name")
    assert sorted(path.name for path in one.desk.folder.iterdir()) == before


def test_no_file_is_written_over(one: Visitor) -> None:
    before = (one.desk.folder / "protocol.yaml").read_bytes()
    assert "already" in one.post("/department/begin", {"name": "protocol"}).json()["refused"]
    assert (one.desk.folder / "protocol.yaml").read_bytes() == before
    assert one.get("/department/protocol/numbers").status_code == 404
    assert one.get("/department/protocol/numbers/report").status_code == 404


def test_an_entry_is_removed(one: Visitor) -> None:
    one.post("/department/begin", {"name": "unit"})
    add(one, "techniques", id="now")
    one.post("/department/unit/numbers/remove", {"address": "techniques[now]"})
    assert not plain_of((one.desk.folder / "unit.yaml").read_text())["techniques"]


def test_a_form_that_keeps_no_answers_asks_without_offering_one(one: Visitor) -> None:
    one.post("/department/begin", {"name": "unit"})
    put(one, "report", "volume.thumbs_a_year", "3000")
    page = one.get("/department/unit/numbers/report").text
    assert "an unusual value" in page
    assert "Answer this question" not in page
