"""Sentences of the checks that count: one and several."""

from __future__ import annotations

from pathlib import Path

from tests.unit.review.selection.stored import change, finished_review
from tests.unit.review.selection.test_flow import problems


def test_one_study_has_and_two_have_no_record_yet(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "included.csv", "TEST-01", "quillmere_2015")
    (one,) = [p for p in problems(review) if "no record yet" in p.what]
    assert one.what == "1 included study has no record yet: quillmere_2015"
    assert (one.line, one.severity) == (2, "question")
    change(review, "included.csv", "TEST-02", "oskarsson_2016")
    (two,) = [p for p in problems(review) if "no record yet" in p.what]
    assert two.what == "2 included studies have no record yet: quillmere_2015, oskarsson_2016"


def test_a_second_decision_names_the_line_of_the_first(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "screening_AB.csv", "C0003,title_abstract,exclude", "C0002,title_abstract,exclude")
    (found,) = [p for p in problems(review) if "decided at this stage" in p.what]
    assert "in line 3 already" in found.what and found.line == 4


def test_only_included_reports_wait_for_a_record(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    for person in ("AB", "CD"):
        change(review, f"screening_{person}.csv", "full_text,exclude,other_design,2", "full_text,include,,2")
    (waiting,) = [p for p in problems(review) if "no study record yet" in p.what]
    assert waiting.what.endswith(
        "included, and no study record yet: C0005"
    )  # not what was excluded or not retrieved
