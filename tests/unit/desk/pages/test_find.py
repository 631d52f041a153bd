"""Find: an export brought in, two people who screen alone, what they settle, and the flow."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from metakit.review.check import check_paths
from metakit.review.new import new_review
from tests.unit.desk.desks import ROOT, Visitor, demo_review, visitor

EXPORT = "title,authors,year,journal,abstract\n" + "".join(
    f'"Invented thumb report {n}","Author {n}",20{n:02d},Invented Journal,"Abstract {n}: thumbs."\n'
    for n in range(1, 8)
)


def bring(one: Visitor, name: str = "database_a.csv", content: bytes = EXPORT.encode()):
    headers = {"origin": one.keys.origin, "content-type": "application/octet-stream"}
    return one.client.post("/find/import", params={"name": name}, content=content, headers=headers)


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in path.read_text().splitlines() if not line.startswith("#")))


def screen(one: Visitor, decisions: dict[str, str]) -> None:
    while True:
        answer = one.get("/find/screen")
        if answer.status_code == 303:
            return
        citation = re.search(r'name="citation" value="(\w+)"', answer.text)[1]
        stage = re.search(r'name="stage" value="(\w+)"', answer.text)[1]
        sent = {
            "citation": citation,
            "stage": stage,
            "decision": decisions.get(f"{stage} {citation}", "exclude"),
            "seen": "",
        }
        sent |= {"reason": "other_design"} if sent["decision"] == "exclude" else {"study": "S1"}
        assert one.post("/find/screen", sent).status_code == 200


def test_two_people_from_an_export_to_the_flow(tmp_path: Path) -> None:
    review = new_review(tmp_path / "review", record=False)
    one, two = visitor(review, "AB"), visitor(review, "CD")
    assert "no search was brought in yet" in one.get("/find").text
    assert bring(one).json() == {"go": "/find?search=database_a"}
    assert "7 without your decision" in one.get("/find").text
    assert (
        "Screen citations: 7 without your decision" in one.get("/").text
        or "Write the plan" in one.get("/").text
    )
    assert "Abstract 1" in one.get("/find/screen").text
    nothing = one.post("/find/screen", {"citation": "C0001", "stage": "title_abstract", "decision": ""})
    assert nothing.json()["field"] == "decision"
    screen(one, {"title_abstract C0001": "include", "title_abstract C0002": "include"})
    assert "C0003" not in two.get("/find").text
    screen(two, {"title_abstract C0001": "include", "title_abstract C0003": "include"})
    assert [row["decision"] for row in rows(review / "selection" / "screening_AB.csv")][:3] == [
        "include",
        "include",
        "exclude",
    ]
    page = one.get("/find").text
    assert "Settle 2 that two people see differently" in page
    settle = one.get("/find/agree").text
    assert "AB" in settle
    assert "CD" in settle
    for citation, decision in (("C0002", "exclude"), ("C0003", "exclude")):
        sent = {"citation": citation, "stage": "title_abstract", "decision": decision}
        answer = one.post("/find/agree", sent).json()
        wrong = [str(p) for p in check_paths([review]).of("error") if "selection" in p.file]
        assert answer == {"go": "/find/agree"}, wrong
    assert (
        one.post(
            "/find/agree", {"citation": "C0002", "stage": "title_abstract", "decision": "include"}
        ).status_code
        == 422
    )
    screen(one, {"full_text C0001": "include"})
    screen(two, {"full_text C0001": "include"})
    agreed = rows(review / "selection" / "screening_agreed.csv")
    assert [(row["citation_id"], row["decision"], row["decided_by"]) for row in agreed] == [
        ("C0002", "exclude", "AB"),
        ("C0003", "exclude", "AB"),
    ]
    assert not [p for p in check_paths([review]).of("error") if "selection" in p.file]


def test_an_earlier_decision_is_changed_only_by_who_saw_it(tmp_path: Path) -> None:
    one = visitor(new_review(tmp_path / "review", record=False))
    bring(one)
    sent = {"citation": "C0001", "stage": "title_abstract", "decision": "exclude", "seen": ""}
    assert one.post("/find/screen", sent).status_code == 200
    assert "meanwhile" in one.post("/find/screen", {**sent, "decision": "include"}).json()["refused"]
    assert one.post("/find/screen", {**sent, "decision": "include", "seen": "exclude"}).status_code == 200
    back = one.get("/find/screen", params={"stage": "title_abstract", "citation": "C0001"}).text
    assert re.search(r'value="include" checked', back)


@pytest.mark.lengthy
def test_the_demonstrations_flow_is_shown(tmp_path: Path) -> None:
    page = visitor(demo_review(tmp_path / "review")).get("/find").text
    assert "Records screened" in page
    assert "Studies included in the review" in page


def test_what_is_no_export_is_refused(tmp_path: Path) -> None:
    one = visitor(new_review(tmp_path / "review", record=False))
    for name in ("x.exe", "../x.csv", ".x.csv", "", "a/b.csv"):
        assert bring(one, name).status_code == 422, name
    assert bring(one, "x.csv", b"\xff\xfe\x00").status_code == 422
    assert not (tmp_path / "review" / "selection").exists()
    assert ROOT.is_dir()
