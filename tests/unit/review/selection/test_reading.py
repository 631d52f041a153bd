"""What of a search may be told later and what may not, and files that were changed behind a command."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.review.selection.importing import import_search
from metakit.review.selection.reading import changed_by_hand
from tests.unit.review.selection.stored import change, finished_review
from tests.unit.review.selection.test_flow import problems, selection


@pytest.fixture
def imported(tmp_path: Path) -> Path:
    review = tmp_path / "rev"
    (review / "records").mkdir(parents=True)
    (tmp_path / "a.csv").write_text('title,authors,year\nInvented,"Quillmere, A",2015\n', encoding="utf-8")
    import_search(tmp_path / "a.csv", review)
    return review


def test_a_file_as_it_was_written_is_not_asked_about(imported: Path) -> None:
    assert changed_by_hand(imported) == []


def test_a_file_changed_by_hand_is_asked_about_and_so_is_one_that_is_gone(imported: Path) -> None:
    path = imported / "selection" / "citations.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("2015", "2016"), encoding="utf-8")
    (found,) = changed_by_hand(imported)
    assert (found.what, found.severity) == ("changed by hand since metakit wrote it", "question")
    assert Path(found.file) == path
    path.unlink()
    (found,) = changed_by_hand(imported)
    assert found.what == "is no longer there" and Path(found.file) == path


@pytest.mark.parametrize(("field", "old"), [("kind", "kind: database"), ("date", "date: 2026-01-03")])
def test_what_describes_a_search_may_wait_and_a_wrong_word_may_not(
    tmp_path: Path, field: str, old: str
) -> None:
    """A search that is described later has its numbers and file already: only these are errors when missing."""
    review = finished_review(tmp_path / "review")
    change(review, "searches/database_a.yaml", old, f"{field}:")
    found = [p for p in problems(review) if field in f"{p.field} {p.what}"]
    assert [p.severity for p in found] == ["question"]
    assert selection(review).flow is None
    change(review, "searches/database_a.yaml", f"\n{field}:", f"\n{field}: neither")
    assert [p.severity for p in problems(review) if p.field == field] == ["error"]


@pytest.mark.parametrize("line", ["name: database_a.ris\n", "found: 5\n", "file: database_a.ris\n"])
def test_what_the_counts_rest_on_may_not_wait(tmp_path: Path, line: str) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "searches/database_a.yaml", line, f"{line.split(':')[0]}:\n")
    assert [p.severity for p in problems(review) if p.field == line.split(":")[0]] == ["error"]


def test_a_file_of_another_form_among_the_searches_is_named(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "searches/database_a.yaml", "form: search", "form: unit")
    (found,) = [p for p in problems(review) if p.field == "form"]
    assert (found.found, found.allowed, found.line) == ("unit", "search", 1)
    assert not [p for p in problems(finished_review(tmp_path / "whole")) if p.field == "form"]
