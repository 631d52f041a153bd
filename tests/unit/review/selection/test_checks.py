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


def test_a_full_text_of_an_excluded_record_is_refused_except_where_titles_do_not_count(
    tmp_path: Path,
) -> None:
    """Records of other methods skip titles: an exclusion there (which does not count) stops nothing."""
    review = finished_review(tmp_path / "review")
    assert not [p for p in problems(review) if "its full text is not read" in p.what]
    row = "C0008,full_text,exclude,too_few_thumbs,1,10 thumbs,,2026-01-09\n"
    for person in ("AB", "CD"):
        change(review, f"screening_{person}.csv", row, f"C0008,title_abstract,exclude,,,,,2026-01-05\n{row}")
    assert not [p for p in problems(review) if "its full text is not read" in p.what]
    change(review, "screening_AB.csv", "C0002,full_text,include", "C0003,full_text,include")
    (found,) = [p for p in problems(review) if "its full text is not read" in p.what]
    assert (found.found, found.severity) == ("C0003", "error")
