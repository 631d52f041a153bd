"""Who screens is read from a list, or asked for; widths of what a file format can hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import DataError
from metakit.review.selection.lists import (
    INITIALS,
    LONGEST_LIST,
    PERSON,
    collect_screening,
    write_screening_list,
)
from metakit.review.selection.next_step import OTHER_PERSON, waiting_at
from tests.unit.review.selection.stored import change, finished_review
from tests.unit.review.selection.test_flow import selection


@pytest.fixture
def review(tmp_path: Path) -> Path:
    return finished_review(tmp_path / "review")


@pytest.mark.parametrize("screener", ["", "AB CD", "1A", "A" * 21, "Ä"])
def test_a_list_without_good_initials_is_refused(review: Path, tmp_path: Path, screener: str) -> None:
    change(review, "screening_AB.csv", "C0003,title_abstract,exclude,,,,,2026-01-05\n", "")
    path = tmp_path / "AB.csv"
    write_screening_list(path, selection(review), "AB")
    path.write_text(path.read_text(encoding="utf-8-sig").replace(",AB", f",{screener}"), encoding="utf-8")
    with pytest.raises(DataError, match="whose decisions"):
        collect_screening(path, review)
    assert PERSON == "screener"


def test_initials_have_a_letter_first_and_twenty_signs_at_most() -> None:
    for good in ("A", "AB", "a-1", "A" * 20):
        assert INITIALS.fullmatch(good)
    for bad in ("", "1A", "-A", "A" * 21, "A_B"):
        assert not INITIALS.fullmatch(bad)
    assert LONGEST_LIST == 255  # ECMA-376 part 1, 18.3.1.32: formulas of a list at most 255 characters


class TestWhoHasStillToDecide:
    def test_two_are_asked_for_before_anybody_decided(self, review: Path) -> None:
        for name in ("screening_AB", "screening_CD", "screening_agreed", "included"):
            (review / "selection" / f"{name}.csv").unlink()
        assert waiting_at(selection(review), "title_abstract") == ["AB", "CD"]

    def test_nobody_when_all_is_decided(self, review: Path) -> None:
        for stage in ("title_abstract", "full_text"):
            assert waiting_at(selection(review), stage) == []  # type: ignore[arg-type]

    def test_the_one_who_lacks_a_decision(self, review: Path) -> None:
        change(review, "screening_CD.csv", "C0003,title_abstract,exclude,,,,,2026-01-05\n", "")
        assert waiting_at(selection(review), "title_abstract") == ["CD"]
        assert waiting_at(selection(review), "full_text") == []

    def test_another_person_where_one_alone_was_unsure(self, review: Path) -> None:
        (review / "selection" / "screening_CD.csv").unlink()
        assert waiting_at(selection(review), "title_abstract") == []
        change(review, "screening_AB.csv", "C0003,title_abstract,exclude", "C0003,title_abstract,unsure")
        assert waiting_at(selection(review), "title_abstract") == [OTHER_PERSON]
        assert waiting_at(selection(review), "full_text") == []
