"""To do names answers that nobody signed, and a report that is older than its files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metakit.core.files import sha256_of
from metakit.desk.closing import report_age, to_sign
from metakit.forms.splice import plain_of, remove_value, set_value
from tests.unit.desk.desks import Visitor, demo_review, visitor


@pytest.fixture
def one(tmp_path: Path) -> Visitor:
    return visitor(demo_review(tmp_path / "review"))


def test_before_the_answers_are_worked_out_each_unsigned_analysis_counts(one: Visitor) -> None:
    folder = one.desk.folder
    planned = len(plain_of((folder / "protocol.yaml").read_text())["analyses"])
    ids = {entry["id"] for entry in plain_of((folder / "protocol.yaml").read_text())["analyses"]}
    entries = plain_of((folder / "certainty.yaml").read_text())["judgements"]
    signed = {entry["analysis"] for entry in entries if entry.get("signed_by")} & ids
    assert signed
    assert to_sign(one.desk) == (planned - len(signed), False)
    text = (folder / "certainty.yaml").read_text()
    at = next(n for n, entry in enumerate(entries) if entry["analysis"] in signed)
    (folder / "certainty.yaml").write_text(remove_value(text, ("judgements", at)))
    assert to_sign(one.desk) == (planned - len(signed) + 1, False)
    (folder / "certainty.yaml").write_text("judgements: [")
    assert to_sign(one.desk) == (planned, False)
    (folder / "certainty.yaml").unlink()
    assert to_sign(one.desk) == (planned, False)
    assert "Work out the answers" in one.get("/").text


def test_a_report_is_older_when_a_file_under_it_changed_came_or_went(one: Visitor) -> None:
    folder = one.desk.folder
    assert report_age(one.desk) == (False, 0)
    names = ["protocol.yaml", "certainty.yaml"]
    names += [f"records/{path.name}" for path in sorted((folder / "records").glob("*.yaml"))]
    (folder / "report").mkdir()
    made = folder / "report" / "findings.json"
    made.write_text(json.dumps({"inputs": {name: sha256_of(folder / name) for name in names}}))
    assert report_age(one.desk) == (True, 0)
    assert "Make the report" not in one.get("/").text
    record = folder / names[2]
    before = record.read_bytes()
    record.write_bytes(before + b"# looked at again\n")
    assert report_age(one.desk) == (True, 1)
    assert "Make the report again" in one.get("/").text
    (folder / "records" / "zz_new.yaml").write_bytes(before)
    assert report_age(one.desk) == (True, 2)
    (folder / "records" / "zz_new.yaml").unlink()
    record.unlink()
    (folder / "certainty.yaml").unlink()
    assert report_age(one.desk) == (True, 2)


def test_a_report_of_the_same_records_tells_which_questions_have_an_answer(one: Visitor) -> None:
    """Another session of the desk knows it without working anything out; what has no answer is not waited for."""
    folder = one.desk.folder
    entries = plain_of((folder / "certainty.yaml").read_text())["judgements"]
    signed = [entry for entry in entries if entry.get("signed_by")]
    names = ["protocol.yaml", "certainty.yaml"]
    names += [f"records/{path.name}" for path in sorted((folder / "records").glob("*.yaml"))]
    (folder / "report").mkdir()

    def made(*answers: dict[str, str | None], **more: object) -> None:
        inputs = {name: sha256_of(folder / name) for name in names}
        text = json.dumps({"inputs": inputs, "certainty": answers, **more})
        (folder / "report" / "findings.json").write_text(text)

    def answer(entry: dict[str, str], status: str) -> dict[str, str | None]:
        by = {name: entry.get(name) for name in ("signed_by", "signed_on")}
        return {"analysis": entry["analysis"], "status": status, **by}

    nobody = {"analysis": "nobody_judged_this", "status": "unsigned", "signed_by": None, "signed_on": None}
    made()
    assert to_sign(one.desk) == (0, True)  # no planned question has an answer
    made(answer(signed[0], "signed"), nobody)
    assert to_sign(one.desk) == (1, True)
    made(answer(signed[0], "outdated"), option_pair_certainty=[nobody])
    assert to_sign(one.desk) == (2, True)
    made(answer(signed[0], "outdated"), network_certainty=[nobody])
    assert to_sign(one.desk) == (2, True)
    text = (folder / "certainty.yaml").read_text()
    at = entries.index(signed[0])
    later = set_value(text, ("judgements", at, "signed_on"), "2026-11-29")
    (folder / "certainty.yaml").write_text(later)  # signed again since, about the same answers
    assert to_sign(one.desk) == (1, True)
    (folder / "certainty.yaml").unlink()
    assert to_sign(one.desk) == (2, True)
    record = folder / names[2]
    record.write_bytes(record.read_bytes() + b"# looked at again\n")
    assert to_sign(one.desk)[1] is False  # the answers may be others now


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"inputs": 3}', "[" * 5000])
def test_a_report_that_does_not_say_what_it_rests_on_is_to_be_made_again(one: Visitor, text: str) -> None:
    (one.desk.folder / "report").mkdir()
    (one.desk.folder / "report" / "findings.json").write_text(text)
    assert report_age(one.desk) == (True, 1)
