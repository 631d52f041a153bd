"""Which files belong to a selection, and what came of several."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from metakit.review.selection.collecting import SelectionCollected, collect_selection, is_of_selection, opened
from metakit.review.selection.lists import PERSON, write_screening_list
from metakit.review.selection.repeats import SHEET
from tests.unit.review.selection.stored import CITATIONS, finished_review
from tests.unit.review.selection.test_flow import selection
from tests.unit.review.selection.test_screening import fill

ROW = 'title,authors,year\nInvented {},"Quillmere, A",2015\n'


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    """One file of each kind, and a table that is none of them."""
    review = finished_review(tmp_path / "review")
    for name in ("screening_AB", "screening_CD", "screening_agreed", "included"):
        (review / "selection" / f"{name}.csv").unlink()
    paths = {
        name: tmp_path / name
        for name in ("search.ris", "list.xlsx", "list.csv", "repeats.xlsx", "other.xlsx")
    }
    paths["search.ris"].write_text("TY  - JOUR\nTI  - Invented\nER  - \n", encoding="utf-8")
    for name in ("list.xlsx", "list.csv"):
        write_screening_list(paths[name], selection(review), "AB")
    for name, title in (("repeats.xlsx", SHEET), ("other.xlsx", "Table 2")):
        book = openpyxl.Workbook()
        book.active.title = title
        book.active.append(["study", "n"])
        book.save(paths[name])
    return paths | {"review": review}


def test_searches_screening_lists_and_lists_of_repeats_belong_and_other_tables_do_not(
    files: dict[str, Path],
) -> None:
    assert [is_of_selection(files[name]) for name in ("search.ris", "list.xlsx", "repeats.xlsx")] == [
        True
    ] * 3
    assert not is_of_selection(files["other.xlsx"])


def test_only_a_folder_that_holds_a_list_is_opened(files: dict[str, Path], tmp_path: Path) -> None:
    folder = tmp_path / "sent"
    folder.mkdir()
    files["other.xlsx"].rename(folder / "other.xlsx")
    assert opened([folder]) == [folder]
    files["list.xlsx"].rename(folder / "list.xlsx")
    (folder / ".DS_Store").touch()
    (folder / "~$list.xlsx").touch()
    assert opened([folder]) == [folder / "list.xlsx", folder / "other.xlsx"]


def test_the_status_is_that_of_the_worst_file_and_the_good_ones_are_collected(
    files: dict[str, Path], tmp_path: Path
) -> None:
    review = files["review"]
    assert SelectionCollected().exit_status == 0
    done = collect_selection([], review)
    assert (done.exit_status, done.problems) == (0, ())
    fill(files["list.csv"], {"C0003": ("exclude", "")})
    (tmp_path / "broken.ris").write_text("nothing\n", encoding="utf-8")
    both = collect_selection([tmp_path / "broken.ris", files["list.csv"]], review)
    assert (both.exit_status, len(both.problems), len(both.lists)) == (2, 1, 1)
    (tmp_path / "untitled.csv").write_text("title,authors,year\n,A,2015\n", encoding="utf-8")
    worse = collect_selection([tmp_path / "untitled.csv", tmp_path / "broken.ris"], review)
    assert worse.exit_status == 2 and len(worse.problems) >= 2
    data = collect_selection([tmp_path / "untitled.csv"], review)
    assert data.exit_status == 1
    assert CITATIONS.splitlines()[0] in (review / "selection" / "citations.csv").read_text(encoding="utf-8")
    assert PERSON == "screener"


def test_an_earlier_decision_gives_way_only_when_that_is_asked_for(files: dict[str, Path]) -> None:
    review, path = files["review"], files["list.csv"]
    fill(path, {"C0003": ("exclude", "")})
    assert collect_selection([path], review).exit_status == 0
    fill(path, {"C0003": ("include", "")})
    refused = collect_selection([path], review)
    assert refused.exit_status == 1 and refused.problems
    assert collect_selection([path], review, replace=True).exit_status == 0
