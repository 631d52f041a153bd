"""What people do to cells: read with a question, or refused at the cell; never changed in silence."""

from __future__ import annotations

import datetime

import pytest
from openpyxl.utils import get_column_letter

from metakit.forms.record_text import same_nodes
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode

from .conftest import cell_of


def at(node: Node, *path: str | int) -> str:
    for part in path:
        if isinstance(part, int):
            assert isinstance(node, ListNode)
            node = node.items[part]
        else:
            assert isinstance(node, MapNode)
            found = node.get(part)
            assert found is not None, part
            node = found
    assert isinstance(node, ScalarNode)
    return node.text


def only(collected, severity="error"):
    # The invented record itself asks one question: its causes of return do not add up, on purpose.
    asked = "return_causes_add_up"
    found = [p for p in collected.problems if p.severity == severity and p.rule != asked]
    assert len(found) == 1, [str(problem) for problem in collected.problems]
    return found[0]


def put(sheet, heading, value, number=1, **format_):
    def change(book):
        cell = cell_of(book[sheet], heading, number)
        cell.value = value
        for name, text in format_.items():
            setattr(cell, name, text)

    return change


@pytest.mark.lengthy
def test_untouched_workbook_is_the_record(damaged, record):
    collected = damaged(lambda book: None)
    assert collected.sound
    assert same_nodes(collected.records[""], record)


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize(
    ("value", "read"),
    [
        ("3,2", "3.2"),
        ("  3.2  ", "3.2"),
        (3.2, "3.2"),
        ("0,125", "0.125"),
        (3, "3.0"),  # the cell shows one decimal, as typed before
        ("not_reported", "not_reported"),
    ],
)
def test_tolerated_numbers(damaged, value, read):
    collected = damaged(put("arms", "age: standard deviation", value))
    assert collected.sound, [str(problem) for problem in collected.problems]
    assert at(collected.records[""], "arms", 0, "age", "standard_deviation") == read
    comma = [p for p in collected.problems if "decimal comma" in p.what]
    assert len(comma) == (1 if "," in str(value) else 0)
    for problem in comma:
        assert "book.xlsx > arms!" in problem.file
        assert problem.severity == "question"


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize(
    ("value", "hint"),
    [
        ("3/40", "events and total apart"),
        ("12 (3.4)", "mean and standard deviation apart"),
        ("7.5 %", "percent"),
        ("1,234", "1234 for thousands"),
        ("<5", "note or as_reported"),
        (datetime.datetime(2026, 3, 15), "3/15"),
        (datetime.time(12, 30), "text"),
        ("15-Mar", "3/15"),
        ("n/a", "not_reported"),
        (True, ""),
        ("#REF!", ""),
        ("nan", "not_reported"),
    ],
)
def test_refused_numbers_name_the_cell(damaged, value, hint):
    collected = damaged(put("arms", "age: mean", value))
    problem = only(collected)
    assert problem.file.endswith("book.xlsx > arms!D20"), problem.file
    assert problem.line is None
    assert hint in problem.hint + problem.what


@pytest.mark.walk
def test_percent_cells_count_as_they_show(damaged):
    collected = damaged(put("arms", "follow up: completeness", 0.925, number_format="0.0%"))
    assert at(collected.records[""], "arms", 0, "follow_up", "completeness") == "92.5 %"
    problem = only(damaged(put("arms", "age: mean", 0.075, number_format="0.0%")))
    assert "percent sign" in problem.what


@pytest.mark.lengthy
def test_decimals_shown_are_decimals_typed(damaged):
    collected = damaged(put("arms", "age: mean", 62, number_format="0.0"))
    assert at(collected.records[""], "arms", 0, "age", "mean") == "62.0"


@pytest.mark.walk
def test_count_and_total_in_one_cell_are_split_with_a_question(damaged):
    def change(book):
        cell_of(book["outcomes"], "events", 4).value = "4/46"
        cell_of(book["outcomes"], "total", 4).value = None

    collected = damaged(change)
    assert collected.sound
    assert at(collected.records[""], "outcomes", 3, "events") == "4"
    assert at(collected.records[""], "outcomes", 3, "total") == "46"
    assert any("read as 4 of a total of 46" in problem.what for problem in collected.problems)
    # A total that says something else is never overruled.
    assert not damaged(put("outcomes", "events", "4/47", 4)).sound


@pytest.mark.walk
def test_dates(damaged):
    assert (
        at(
            damaged(put("extraction", "date", datetime.datetime(2026, 5, 4))).records[""],
            "extraction",
            "date",
        )
        == "2026-05-04"
    )
    assert not damaged(put("extraction", "date", "4/5/26")).sound
    start = ("design", "recruitment start")
    read = damaged(put(*start, datetime.datetime(2012, 1, 1), number_format="mmm-yy")).records[""]
    assert at(read, "design", "recruitment_start") == "2012-01"
    problem = only(damaged(put("arms", "source: page", datetime.datetime(2026, 6, 5))))
    assert "6/5 or 5/6" in problem.hint


@pytest.mark.lengthy
def test_formula_without_value_is_refused_at_its_cell(damaged):
    problem = only(damaged(put("arms", "age: mean", "=60+2")))
    assert problem.what == "a formula without a value"
    assert problem.file.endswith("arms!D20")


@pytest.mark.lengthy
def test_inserted_and_moved_columns_and_rows(damaged, record):
    def change(book):
        for name in ("arms", "outcomes"):
            book[name].insert_cols(3)
            book[name].insert_rows(1, 4)
        book["outcomes"].cell(10, 3).value = "my remarks"
        book["outcomes"].cell(12, 3).value = "look again"
        book["study"].insert_rows(2, 3)
        book.move_sheet("outcomes", -3)

    collected = damaged(change)
    assert collected.sound, [str(problem) for problem in collected.problems]
    assert same_nodes(collected.records[""], record)
    assert "my remarks" in only(collected, "question").found


@pytest.mark.lengthy
def test_merged_cells(damaged, record):
    def down(book):
        sheet = book["arms"]
        cell = cell_of(sheet, "technique", 1)
        sheet.merge_cells(start_row=cell.row, end_row=cell.row, start_column=4, end_column=6)

    collected = damaged(down)
    assert same_nodes(collected.records[""], record)  # all three arms have that technique
    assert "columns D to F" in only(collected, "question").what

    def across(book):
        book["arms"].merge_cells("D5:D6")

    assert any(
        "merged" in problem.what for problem in damaged(across).problems if problem.severity == "error"
    )


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda book: book["arms"].delete_rows(6), "heading 'label' is missing"),
        (lambda book: book.remove(book["arms"]), "sheet 'arms' is missing"),
        (lambda book: setattr(book["arms"].cell(9, 15), "value", 4), "without heading"),
        (lambda book: book["arms"].delete_rows(4), "heading"),
        (lambda book: setattr(book["outcomes"].cell(6, 1), "value", "amr"), "heading 'arm' is missing"),
        (lambda book: setattr(book["outcomes"].cell(6, 2), "value", "arm"), "stands at"),
        (lambda book: setattr(book["outcomes"].cell(9, 60), "value", 4), "without heading"),
        (lambda book: setattr(book["arms_partly_given"].cell(7, 1), "value", "Z"), "no entry with this key"),
        (lambda book: setattr(book["general"].cell(6, 2), "value", "age: none"), "no group left out"),
        (lambda book: setattr(book["study"].cell(20, 2), "value", 7), None),
    ],
)
def test_damaged_structure_is_named(damaged, change, what):
    collected = damaged(change)
    if what is None:
        return
    assert not collected.sound
    assert any(what in problem.what for problem in collected.problems), [str(p) for p in collected.problems]
    assert all("!" in problem.file for problem in collected.problems)


@pytest.mark.lengthy
def test_reports_name_columns_beyond_z(damaged):
    collected = damaged(put("outcomes", "at risk", "long", 2))
    cell = next(p for p in collected.problems if p.found == "long").file.rpartition("!")[2]
    assert len(cell.rstrip("0123456789")) == 2
    assert cell.rstrip("0123456789") in {get_column_letter(n) for n in range(27, 70)}
