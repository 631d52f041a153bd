"""What the workbook itself enforces and shows, seen by another reader (openpyxl), and CSV against formulas."""

from __future__ import annotations

import csv
import io

import openpyxl
import pytest

from metakit.forms.library import shipped
from metakit.forms.record_workbooks.cell_texts import list_items, list_text, number_text, plain_number
from metakit.forms.record_workbooks.csv_writing import csv_texts
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.sheets.csv_tables import guarded, unguarded

from .conftest import cell_of


@pytest.fixture(scope="module")
def book(filled):
    return openpyxl.load_workbook(io.BytesIO(filled))


def validation(sheet, cell):
    found = [v for v in sheet.data_validations.dataValidation if cell.coordinate in v.sqref]
    assert len(found) == 1
    return found[0]


def test_sheets_in_order(book):
    assert book.sheetnames[0] == "start here"
    assert book.sheetnames[-3:] == ["example", "choices", "metakit"]
    assert book["metakit"].sheet_state == "veryHidden"
    assert [row[1].value for row in book["metakit"].iter_rows()] == ["study", "1", "single"]
    assert all(sheet.protection.sheet for sheet in book.worksheets[:-1])


def test_drop_downs_are_ranges_with_codes_where_allowed(book):
    for sheet, heading, code in (("arms", "technique", False), ("outcomes", "definition", True)):
        rule = validation(book[sheet], cell_of(book[sheet], heading))
        assert rule.type == "list"
        assert rule.formula1.startswith("'choices'!$")
        column = rule.formula1.split("$")[1]
        top, bottom = int(rule.formula1.split("$")[2].rstrip(":")), int(rule.formula1.split("$")[4])
        offered = [book["choices"][f"{column}{row}"].value for row in range(top, bottom + 1)]
        spec = shipped().form("study").find(f"{sheet}.{heading}")
        assert offered[: len(spec.terms)] == list(spec.terms)
        assert ("not_reported" in offered) is code
    ids = validation(book["outcomes"], cell_of(book["outcomes"], "arm"))
    assert ids.formula1.startswith("'arms'!$D$5:$")


def test_hard_limits_stop_and_soft_limits_warn(book):
    hard = validation(book["care"], cell_of(book["care"], "immobilisation weeks"))
    assert hard.type == "custom"
    assert hard.errorStyle in (None, "stop")
    assert ">=0" in hard.formula1 and "<=52" in hard.formula1 and "COUNTIF" in hard.formula1
    centres = book["setting"]
    shaded = [r for rules in centres.conditional_formatting for r in rules.rules]
    assert any(">200" in rule.formula[0] for rule in shaded)


def test_required_cells_are_marked_by_more_than_colour(book):
    head = cell_of(book["arms"], "technique", 0)
    assert head.value.endswith(" *")
    assert head.font.bold
    assert not str(cell_of(book["arms"], "bilateral", 0).value).endswith("*")


def test_headings_are_locked_and_cells_open(book):
    assert cell_of(book["arms"], "label", 0).protection.locked
    assert not cell_of(book["arms"], "label", 1).protection.locked
    assert book["arms"].freeze_panes == "B5"
    assert book["outcomes"].freeze_panes == "E7"  # arm, outcome, and when, stay in view


def test_texts_are_never_formulas_or_links(layout, record):
    from metakit.forms.yaml_nodes import MapNode, ScalarNode

    nasty = MapNode(
        tuple(
            (
                key,
                ScalarNode("=1+1 http://example.org", key.place, quoted=True)
                if key.text == "note"
                else value,
            )
            for key, value in (*record.entries, (ScalarNode("note", record.place), record.entries[0][1]))
        ),
        record.place,
    )
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(layout, {"x": nasty}, batch=False)))
    cell = cell_of(book["general"], "note")
    assert cell.value == "=1+1 http://example.org"
    assert cell.data_type == "s"
    assert cell.hyperlink is None


@pytest.mark.parametrize(
    ("text", "stored"),
    [
        ("=1+1", "'=1+1"),
        ("+4", "'+4"),
        ("-3.5", "-3.5"),
        ("-x", "'-x"),
        ("@a", "'@a"),
        ("a=b", "a=b"),
        ("'=a", "''=a"),
    ],
)
def test_csv_cells_cannot_be_formulas(text, stored):
    assert guarded(text) == stored
    assert unguarded(stored) == text


def test_csv_sheets_are_plain_tables(layout, record):
    texts = csv_texts(layout, {"a": record})
    assert len(texts) == len(layout.sheets) + 1
    rows = list(csv.DictReader(io.StringIO(texts["arms.csv"])))
    assert [row["id"] for row in rows] == ["A", "B", "C"]
    assert {row["record"] for row in rows} == {"a"}


@pytest.mark.lengthy
def test_every_shipped_form_has_a_layout_and_a_workbook():
    for name in shipped().form_names():
        layout = layout_of(shipped().form(name))
        book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(layout, {"x": None}, batch=False)))
        assert [sheet.name for sheet in layout.sheets] == book.sheetnames[1:-3]


@pytest.mark.parametrize("items", [[], ["a"], ["a; b", 'c "d"', "e, f"], ["(none)"], ["not_reported"]])
def test_lists_in_a_cell(items):
    assert list_items(list_text(items), commas=False) == items


@pytest.mark.parametrize("text", ["0", "12", "12.0", "-3.50", "0.10", "9.95", "123456789012345", "0.000001"])
def test_numbers_keep_their_decimals(text):
    stored = plain_number(text)
    assert stored is not None
    assert number_text(float(f"{stored[0]:.16G}"), stored[1]) == text


@pytest.mark.parametrize(
    "text", ["-0", "007", "1e3", "+4", "0.12345678901234567", "1234567890123456", "x", "-0.0"]
)
def test_other_texts_stay_texts(text):
    assert plain_number(text) is None
