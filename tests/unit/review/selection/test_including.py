"""Unsure screeners, studies of several reports, and reports of several studies. All of it is invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from metakit.errors import DataError
from metakit.review.selection.citations import Citation
from metakit.review.selection.including import _own_name, name_included
from metakit.review.selection.lists import collect_screening, write_screening_list
from metakit.review.selection.screening import Decision, settle
from tests.unit.review.selection.stored import change, finished_review
from tests.unit.review.selection.test_flow import problems, selection
from tests.unit.review.selection.test_screening import TITLES, TODAY, fill


def decided(name: str, decision: str, stage: str = "title_abstract", **more: str) -> Decision:
    return Decision(citation_id=name, stage=stage, decision=decision, **more)  # type: ignore[arg-type]


def test_unsure_goes_to_the_other_person() -> None:
    one = [
        decided(name, said)
        for name, said in zip("ABCDE", ["unsure", "unsure", "unsure", "include", "unsure"], strict=True)
    ]
    two = [
        decided(name, said)
        for name, said in zip("ABCD", ["include", "exclude", "unsure", "unsure"], strict=True)
    ]
    found = settle([one, two])
    outcomes = found.outcomes["title_abstract"]
    assert {name: outcome.decision for name, outcome in outcomes.items()} == {
        "A": "include", "B": "exclude", "D": "include",
    }  # fmt: skip
    assert {outcome.settled_by for outcome in outcomes.values()} == {"one person"}
    assert found.conflicts["title_abstract"] == ("C",)  # both unsure; E waits for the other person
    assert ("unsure", "include") in found.pairs["title_abstract"]


def test_unsure_is_asked_of_the_other_and_never_agreed(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "screening_AB.csv", "C0003,title_abstract,exclude", "C0003,title_abstract,unsure")
    assert selection(review).flow is not None  # CD excluded it
    (review / "selection" / "screening_CD.csv").unlink()
    assert any("without a decision on title and abstract: C0003" in p.what for p in problems(review))
    change(review, "screening_agreed.csv", "C0004,title_abstract,exclude", "C0004,title_abstract,unsure")
    assert any("an agreed decision is not unsure" in p.what for p in problems(review))


def test_two_people_who_name_different_studies_disagree() -> None:
    def full(study: str) -> list[Decision]:
        return [decided("A", "include", "full_text", study=study)]

    assert settle([full("one"), full("two")]).conflicts["full_text"] == ("A",)
    same = settle([full("one; two"), full("two;one")]).outcomes["full_text"]["A"]
    assert same.studies == ("one", "two") and same.settled_by == "both"
    assert settle([full(""), full("two")]).outcomes["full_text"]["A"].studies == ("two",)


def test_included_rows_are_added_and_those_that_stand_are_left_alone(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    for person, study in (("AB", ""), ("CD", "TEST-01; other_study")):
        change(
            review,
            f"screening_{person}.csv",
            "full_text,exclude,other_design,2,cadaver",
            "full_text,include,,2,",
        )
        path = review / "selection" / f"screening_{person}.csv"
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        rows = [f"{row},{study if 'C0005,full_text' in row else ''}" for row in rows]
        path.write_text("\n".join([f"{head},study", *rows]) + "\n", encoding="utf-8")
    assert name_included(review, selection(review)) == ("C0005",)
    text = (review / "selection" / "included.csv").read_text(encoding="utf-8")
    assert text == "citation_id,record\nC0001,TEST-01\nC0002,TEST-02\nC0005,TEST-01\nC0005,other_study\n"
    assert name_included(review, selection(review)) == ()
    chosen = selection(review)
    # Three reports: two of TEST-01, one of them of another study as well.
    assert chosen.flow is not None
    assert (chosen.flow.included_reports, chosen.flow.included_studies) == (3, 3)
    assert chosen.records_of_citation["C0005"] == ("TEST-01", "other_study")
    assert any("1 included study has no record yet: other_study" in p.what for p in problems(review))


def test_an_updated_review_counts_previous_and_new_studies(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    path = review / "selection" / "previous.csv"
    path.write_text("record,reports\nTEST-01,2\nolder,1\n", encoding="utf-8")
    flow = selection(review).flow
    assert flow is not None and flow.previous == (2, 3)
    # TEST-01 has a new report and is no new study; TEST-02 is new.
    cohort = flow.to_json()
    assert cohort["included"] == {"studies": 1, "reports": 2} and cohort["total"] == {
        "studies": 3,
        "reports": 5,
    }
    path.write_text("record,reports\nTEST-01,0\nolder,1\nolder,1\n", encoding="utf-8")
    said = " ".join(str(p) for p in problems(review) if p.severity == "error")
    assert "reports" in said
    path.write_text("record,reports\nolder,1\nolder,1\n", encoding="utf-8")
    assert any("stands in line 2 already" in p.what for p in problems(review))


@pytest.mark.parametrize(
    ("field", "old", "new", "column"),
    [("decision", "exclude", "maybe", "E"), ("reason", "other_design", "other_desing", "F")],
)
def test_a_fault_in_a_list_names_its_own_column(
    tmp_path: Path, field: str, old: str, new: str, column: str
) -> None:
    review = finished_review(tmp_path / "review")
    for name in ("screening_AB.csv", "screening_CD.csv", "screening_agreed.csv", "included.csv"):
        (review / "selection" / name).unlink()
    path = tmp_path / "list.csv"
    write_screening_list(path, selection(review), "AB")
    fill(
        path,
        {name: (said, "other_design" if said == "exclude" else "") for name, (said, _) in TITLES.items()},
    )
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DataError) as caught:
        collect_screening(path, review, today=TODAY)
    (found,) = caught.value.problems
    assert (found.field, found.line) == (field, 4) and "ABCDEFG"[(found.column or 0) - 1] == column


def test_a_report_without_an_author_or_a_year_has_a_name_all_the_same() -> None:
    paper = Citation(
        citation_id="C0001", search="a", title="Invented", authors="O'Quill-Mere, A", year=2015, journal="",
        doi="", pubmed_id="",
    )  # fmt: skip
    assert _own_name(paper, set()) == "o_quill_mere_2015"
    assert _own_name(paper, {"o_quill_mere_2015"}) == "o_quill_mere_2015_2"
    assert _own_name(paper, {"o_quill_mere_2015", "o_quill_mere_2015_2"}) == "o_quill_mere_2015_3"
    assert _own_name(replace(paper, authors="", year=None), set()) == "study_undated"
    assert _own_name(replace(paper, authors="\u674e, A"), set()) == "study_2015"
