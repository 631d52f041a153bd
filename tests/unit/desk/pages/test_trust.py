"""Trust: the domains of an instrument as entries to be judged; the proposal is the rule's, never typed."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.core.files import sha256_of
from metakit.forms.library import vocabulary
from metakit.forms.overall_judgement import domains_asked
from metakit.forms.splice import plain_of, remove_value
from metakit.review.unfinished import own_record
from tests.unit.desk.desks import Visitor, demo_review, visitor

STUDY = "DEMO-01_quillmere"


@pytest.fixture
def one(tmp_path: Path) -> Visitor:
    folder = demo_review(tmp_path / "review")
    home = folder / "extractors" / "AB"
    (home / "unfinished").mkdir()
    text = remove_value((home / f"{STUDY}.yaml").read_text(), ("appraisal",))
    (home / f"{STUDY}.yaml").unlink()
    (home / "unfinished" / f"{STUDY}.yaml").write_text(text)
    return visitor(folder)


@pytest.mark.lengthy
def test_the_domains_are_judged_and_the_rule_proposes(one: Visitor) -> None:
    path = own_record(one.desk.folder, "AB", STUDY).path
    before = path.read_text()
    assert "made for this design" in one.get(f"/trust/{STUDY}").text
    assert one.post(f"/trust/{STUDY}", {"instrument": "x"}).json()["field"] == "instrument"
    assert one.post(f"/trust/{STUDY}", {"instrument": "randomised_trial_domains"}).status_code == 200
    plain = plain_of(path.read_text())
    instrument = vocabulary("appraisal_instruments")["randomised_trial_domains"]
    asked = domains_asked(instrument, "randomised")
    assert [entry["domain"] for entry in plain["appraisal"]["judgements"]] == [*asked, "overall"]
    assert {name: part for name, part in plain.items() if name != "appraisal"} == plain_of(before)
    assert "rule proposes:" not in one.get(f"/trust/{STUDY}").text
    for domain in asked:
        for name, value in (("judgement", "low"), ("reason", "as reported"), ("page", "2")):
            sent = {"address": f"appraisal.judgements[{domain}/all].{name}", "old": "", "new": value}
            answer = one.post(f"/extract/AB/{STUDY}/set", {**sent, "sha256": sha256_of(path)})
            assert answer.status_code == 200, answer.text
    page = one.get(f"/trust/{STUDY}").text
    assert "rule proposes: Low" in page
    assert "low in every domain" in page.lower()
    levels = page[page.index('data-kind="choice"') :].partition("</select>")[0]
    assert levels.count("<option") == 1 + len(instrument.facts.words("judgements"))


def test_nobody_judges_a_record_that_is_handed_in(one: Visitor) -> None:
    other = "DEMO-02_brackenhythe"
    assert "handed in" in one.get(f"/trust/{other}").text
    assert one.post(f"/trust/{other}", {"instrument": "randomised_trial_domains"}).status_code == 422
    assert one.get("/trust/nothing").status_code == 404
