"""`metakit reconcile` from outside, and its page."""

from __future__ import annotations

import csv
from pathlib import Path

import html5lib
import pytest

from metakit.forms.bundled import forms_folder
from tests.unit.review.two_extractors import ADDRESSES, PLANTED, make_review


@pytest.fixture
def review(tmp_path: Path) -> Path:
    hostile = "registration: not_reported"
    return make_review(tmp_path / "review", PLANTED | {hostile: 'registration: "<script>alert(1)</script>"'})


def test_from_two_records_to_an_agreed_one(metakit_command, review: Path) -> None:
    said = metakit_command("reconcile", review, "--csv")
    assert said.status == 0
    assert "outcomes.mean (key_pinch): 1 of 2 the same" in said.out
    path = review / "reconcile" / "decisions.csv"
    assert str(path) in said.err
    waiting = metakit_command("reconcile", review, "--decisions", path)
    assert waiting.status == 0 and "DEMO-06 waits for 3 decisions" in waiting.err
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        if row["needed"] == "yes":
            row.update(decision="CD", decided_by="EF", decided_on="2026-03-01", reason="page 5 says so")
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.DictWriter(stream, rows[0].keys())
        out.writeheader()
        out.writerows(rows)
    done = metakit_command("reconcile", review, "--decisions", path)
    assert done.status == 0
    assert Path(done.out.strip()).is_file()
    assert metakit_command("check", review).status == 0


def test_json_and_the_page(metakit_command, review: Path) -> None:
    answer = metakit_command("reconcile", review, "--json").answer
    assert {item["address"] for item in answer["disagreements"] if not item["wording"]} == set(ADDRESSES)
    assert answer["overall"]["n"] - answer["overall"]["same"] == 4
    assert answer["overall"]["kappa_interval"] is None  # most fields agree everywhere: no honest interval
    page = (review / "reconcile" / "disagreements.html").read_text(encoding="utf-8")
    document = html5lib.parse(page, namespaceHTMLElements=False)
    assert document.findall(".//script") == []
    text = "".join(document.itertext())
    assert "<script>alert(1)</script>" in text and "page 5, table 3" in text
    assert all(address in text for address in ADDRESSES)


def test_faults_have_their_status(metakit_command, tmp_path: Path, review: Path) -> None:
    assert metakit_command("reconcile", tmp_path).status == 2
    lost = metakit_command("reconcile", review, "--decisions", review / "lost.csv")
    assert lost.status == 2 and "no such file" in lost.err
    record = next((review / "extractors" / "CD").glob("*.yaml"))
    record.write_text(record.read_text().replace("year: 2018", "year: late"))
    broken = metakit_command("reconcile", review)
    assert broken.status == 1 and f"{record}:" in broken.err


def test_two_people_agree_on_records_of_another_joint(metakit_command, tmp_path: Path) -> None:
    toe = forms_folder() / "examples" / "first_mtp"
    form, text = (
        str(toe / "first_mtp.yaml"),
        (toe / "examples" / "first_mtp.yaml").read_text(encoding="utf-8"),
    )
    other = text.replace("extractor: AB", "extractor: CD").replace("mean: 81.5", "mean: 85.1")
    other = other.replace("cause: implant_loose", "cause: too_stiff")
    for person, typed in (("AB", text), ("CD", other)):
        path = tmp_path / "extractors" / person / "toe_1.yaml"
        path.parent.mkdir(parents=True)
        path.write_text(typed, encoding="utf-8")
    said = [metakit_command("reconcile", tmp_path, "--csv", "--form", form)]
    decisions = tmp_path / "reconcile" / "decisions.csv"
    with decisions.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["field"] for row in rows} == {
        "outcomes[A/foot_score/12/months].mean",
        "return_causes[B/operation/implant_loose].cause",
    }
    for row in rows:
        row |= {
            "decision": "AB",
            "decided_by": "EF",
            "decided_on": "2026-03-01",
            "reason": "table 2 (invented)",
        }
    with decisions.open("w", encoding="utf-8", newline="") as stream:
        out = csv.DictWriter(stream, rows[0].keys(), lineterminator="\n")
        out.writeheader()
        out.writerows(rows)
    said.append(metakit_command("reconcile", tmp_path, "--form", form, "--decisions", decisions))
    agreed = (tmp_path / "records" / "toe_1.yaml").read_text(encoding="utf-8")
    assert "cause: implant_loose, count: 3" in agreed and "mean: 81.5" in agreed
    said.append(metakit_command("check", tmp_path, "--form", form))
    assert [one.status for one in said] == [0, 0, 0]
    page = (tmp_path / "reconcile" / "disagreements.html").read_text(encoding="utf-8")
    assert "thumb" not in "".join([page, agreed, *(one.out + one.err for one in said)]).lower()
