"""Records that are perhaps the same: a list with both titles, one key, and back. All of it is invented."""

from __future__ import annotations

import csv
from pathlib import Path

import openpyxl
import pytest

from metakit.errors import DataError
from metakit.review.history import read_history
from metakit.review.new import new_review
from metakit.review.selection.importing import import_search
from metakit.review.selection.repeats import COLUMNS, collect_repeats, write_repeats
from tests.unit.review.selection.test_flow import problems, selection

TITLES = (
    "Key pinch after an invented operation on the base of the thumb",
    "Key pinch after an invented operation on the base of the thumb: a randomised trial",
    "Key pinch after an invented operation on the bsae of the thumb",
)


@pytest.fixture
def review(tmp_path: Path) -> Path:
    review = tmp_path / "rev"
    new_review(review)
    rows = "".join(
        f'"{title}","Quillmere, A",2015,{doi}\n'
        for title, doi in zip(TITLES, ("", "10.5555/b", ""), strict=True)
    )
    (tmp_path / "a.csv").write_text(f"title,authors,year,doi\n{rows}", encoding="utf-8")
    done = import_search(tmp_path / "a.csv", review)
    assert (done.duplicates, done.asked) == (0, 2)
    return review


def listed(review: Path) -> Path:
    chosen = selection(review)
    path = write_repeats(review, "reconcile", chosen.citations, chosen.removals)
    assert path is not None
    return path


def answer(path: Path, *said: str) -> None:
    book = openpyxl.load_workbook(path)
    for row, text in enumerate(said, start=2):
        book.active.cell(row, 1).value = text or None
    book.save(path)


def test_both_titles_likeness_and_one_key(review: Path) -> None:
    path = listed(review)
    sheet = openpyxl.load_workbook(path).active
    head = [cell.value.replace(" ", "_") for cell in sheet[1]]
    assert tuple(head) == COLUMNS and head[0] == "same"
    rows = [dict(zip(head, [cell.value for cell in row], strict=True)) for row in sheet.iter_rows(min_row=2)]
    assert [row["title"] for row in rows] == [TITLES[1], TITLES[2]]
    assert [row["kept_title"] for row in rows] == [TITLES[0], TITLES[0]]
    assert all(0 < float(row["likeness"]) <= 100 for row in rows)
    assert sheet.freeze_panes == "B2"  # the header and the column to fill stay in sight
    assert (sheet.auto_filter.ref, sheet.print_title_rows) == (
        "A1:I3".replace("I", sheet[1][-1].column_letter),
        "$1:$1",
    )
    (rule,) = sheet.data_validations.dataValidation
    assert str(rule.sqref) == "A2:A3"
    assert rule.formula1 == '"y,n"'


def test_yes_and_no_are_read_back_and_the_record_that_stays_is_the_fullest(review: Path) -> None:
    path = listed(review)
    answer(path, "Y", "n")
    done = collect_repeats(path, review)
    assert (done.same, done.different, done.blank) == (1, 1, 0)
    chosen = selection(review)
    assert set(chosen.removed) == {"C0002"}
    assert (chosen.citations["C0001"].title, chosen.citations["C0001"].doi) == (TITLES[1], "10.5555/b")
    table = (review / "selection" / "removed.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(table.splitlines()))
    assert [(row["stands"], row["title"], row["kept_title"]) for row in rows] == [
        ("yes", TITLES[1], TITLES[0]),
        ("no", TITLES[2], TITLES[0]),
    ]
    assert read_history(review)[0][-1]["event"] == "repeats_decided"
    assert collect_repeats(path, review).written is None  # again: nothing new
    assert not [p for p in problems(review) if p.severity == "error"]


def test_an_answer_is_not_turned_without_a_word(review: Path) -> None:
    path = listed(review)
    answer(path, "y", "n")
    collect_repeats(path, review)
    answer(path, "n", "n")
    with pytest.raises(DataError, match="was decided otherwise before"):
        collect_repeats(path, review)
    assert collect_repeats(path, review, replace_earlier=True).different == 2
    assert selection(review).removed == {}


def test_faulty_answers_name_row_and_column_and_write_nothing(review: Path) -> None:
    path = listed(review)
    before = (review / "selection" / "removed.csv").read_bytes()
    answer(path, "maybe", "y")
    with pytest.raises(DataError) as caught:
        collect_repeats(path, review)
    (found,) = caught.value.problems
    assert (found.line, found.field, found.found) == (2, "same", "maybe")
    assert (review / "selection" / "removed.csv").read_bytes() == before


def test_a_half_filled_list_is_kept_when_written_again(review: Path) -> None:
    path = listed(review)
    answer(path, "", "y")
    assert openpyxl.load_workbook(listed(review)).active["A3"].value == "y"


def test_merges_in_a_row_end_at_the_one_that_stays(review: Path) -> None:
    path = review / "selection" / "removed.csv"
    text = path.read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    rows[0]["stands"] = rows[1]["stands"] = "yes"
    rows[1]["kept"] = "C0002"

    def save() -> None:
        with path.open("w", encoding="utf-8", newline="") as stream:
            out = csv.DictWriter(stream, rows[0])
            out.writeheader()
            out.writerows(rows)

    save()
    assert set(selection(review).removed) == {"C0002", "C0003"}
    rows[0]["kept"] = "C0003"  # a circle: nothing stays
    save()
    assert any("removed itself" in p.what and p.severity == "error" for p in problems(review))
