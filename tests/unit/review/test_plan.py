"""The hash of a plan, what changes it and what does not, and how a changed plan is told."""

from __future__ import annotations

import copy
import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from metakit.review.folder import read_protocol
from metakit.review.history import read_history
from metakit.review.plan import PARTS, plan_hash, plan_parts, plan_standing, record_plan

FIELDS: dict[str, Any] = {
    "review": {"question": "Which is  better?", "title": "T", "date": "2026-01-19"},
    "icc": 0.3,
    "outcomes": [{"outcome": "dash", "importance": "critical"}],
    "analyses": [{"id": "one", "measure": "risk_ratio"}, {"id": "two", "measure": "odds_ratio"}],
    "subgroups": ["by design"],
}


def changed(**more: Any) -> dict[str, Any]:
    return {**copy.deepcopy(FIELDS), **more}


# computed: SHA-256 (FIPS 180-4, hashlib) of the canonical text written out by hand.
def test_the_hash_is_that_of_the_canonical_text() -> None:
    text = (
        '{"analyses":[{"id":"one","measure":"risk_ratio"},{"id":"two","measure":"odds_ratio"}],"icc":0.3,'
        '"outcomes":[{"importance":"critical","outcome":"dash"}],"question":"Which is better?",'
        '"subgroups":["by design"]}'
    )
    assert plan_hash(plan_parts(FIELDS)) == hashlib.sha256(text.encode()).hexdigest()


def test_order_blanks_titles_and_empty_parts_do_not_matter() -> None:
    same = dict(reversed(list(copy.deepcopy(FIELDS).items())))
    same["review"] = {
        "title": "another",
        "question": "Which is better? ",
        "authors": "x",
        "date": "2026-02-02",
    }
    same |= {"note": "n", "amendments": [{"what": "w"}], "networks": [], "sensitivity": None}
    assert plan_hash(plan_parts(same)) == plan_hash(plan_parts(FIELDS))


@pytest.mark.parametrize("part", PARTS)
def test_every_part_of_the_plan_matters(part: str) -> None:
    other = copy.deepcopy(FIELDS)
    if part == "question":
        other["review"]["question"] = "Another?"
    else:
        other[part] = 0.5 if part == "icc" else ["something else"]
    assert plan_hash(plan_parts(other)) != plan_hash(plan_parts(FIELDS))


def test_a_plan_without_a_kept_hash_says_so() -> None:
    standing = plan_standing(FIELDS)
    assert standing.status == "not_registered" and "No hash was kept" in standing.sentences[1]


def test_a_typed_hash_shows_whether_the_plan_is_the_same() -> None:
    found = plan_hash(plan_parts(FIELDS))
    for typed in (found, found[:12], found.upper()):
        fields = changed(review={**FIELDS["review"], "plan_hash": typed})
        assert plan_standing(fields).status == "as_registered"
    short = changed(review={**FIELDS["review"], "plan_hash": found[:6]})
    assert plan_standing(short).status == "amended"  # six digits prove nothing
    later = changed(icc=0.5, review={**FIELDS["review"], "plan_hash": found})
    standing = plan_standing(later)
    assert standing.status == "amended" and standing.changes == ()
    assert "What changed is not on record" in standing.sentences[-1]


def test_the_history_says_what_changed(tmp_path: Path) -> None:
    found = record_plan(tmp_path, FIELDS, date="2026-01-19")
    assert record_plan(tmp_path, FIELDS, date="2026-03-01") == found
    events, problems = read_history(tmp_path)
    assert len(events) == 1 and problems == ()
    later = changed(
        icc=0.5,
        analyses=[{"id": "two", "measure": "risk_ratio"}, {"id": "three", "measure": "risk_ratio"}],
        subgroups=None,
        sensitivity=["icc"],
        amendments=[{"date": "2026-02-01", "what": "analysis three added."}],
    )
    standing = plan_standing(later, events)
    assert standing.status == "amended" and standing.registered_hash == found
    assert standing.changes == (
        "icc changed from 0.3 to 0.5",
        "analyses: three added, one taken out, two changed",
        "subgroups taken out",
        "sensitivity added",
    )
    assert "2026-02-01: analysis three added" in " ".join(standing.sentences)
    assert json.loads(json.dumps(standing.to_json()))["status"] == "amended"


def test_the_demonstration_was_amended_by_a_comparison_and_two_explorations() -> None:
    folder = Path(__file__).resolve().parents[3] / "demo_studies"
    protocol = read_protocol(folder)
    standing = plan_standing(protocol.fields, read_history(folder)[0])
    assert standing.status == "amended"
    assert standing.changes == (
        "comparisons: pyrocarbon_vs_lrti added",
        "analyses: complications_pyrocarbon added",
        "explorations: concern_about_bias added, year_and_complications added",
    )


def test_what_authors_say_about_the_review_is_no_part_of_the_plan() -> None:
    said = {
        "funding": "a fund",
        "competing_interests": "none",
        "data_available": "here",
        "code_available": "here",
    }
    said |= {"protocol_available": "register", "authors": "AB", "registration": "12"}
    plain = plan_hash(plan_parts({"review": {"question": "which?"}, "icc": 0.3}))
    assert plan_hash(plan_parts({"review": {"question": "which?", **said}, "icc": 0.3})) == plain
    assert plan_hash(plan_parts({"review": {"question": "whether?", **said}, "icc": 0.3})) != plain
