"""The decisions as a workbook: both values side by side, drop-downs for whose is right."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from typing import Any

from metakit.forms.record_workbooks.explaining import Looks
from metakit.review.reconciling.reconcile_decisions import COLUMNS, FILLED_IN, OTHER, YES_OR_NO

SHEET, START = "decisions", "start here"
LINE = 14  # points
_WIDTHS = {
    "study": 13, "what": 34, "field": 12, "needed": 9, "first_extractor": 9, "first_value": 17,
    "first_source": 13, "second_extractor": 9, "second_value": 17, "second_source": 13, "decision": 10,
    "other_value": 12, "decided_by": 12, "decided_on": 12, "reason": 38,
}  # fmt: skip
_HINTS = {
    "decision": "Whose value is right? Choose initials, or 'other' and type the value in the next cell. "
    "Where the row asks a question: yes or no.",
    "other_value": "Only when the decision is 'other': the value as it should stand in the record.",
    "decided_by": "Initials of whoever decided; several people joined with 'and'.",
    "decided_on": "Year-month-day, such as 2026-05-31.",
    "reason": "Why: what the report says, and where.",
}
_EXPLAINED = (
    "Each row of the next sheet is a field that two extractors typed differently.",
    "1. Open the report at the page that stands beside each value.",
    "2. Settle it together, or by a third person; the one who decides need not be one of the two.",
    "3. Fill in the last five columns: whose value is right (or 'other' and the value), who, when, why.",
    "4. Save, close, and run 'metakit reconcile REVIEW --decisions' with the path of this workbook.",
    "Rows with 'yes' under needed must be decided before the study gets its agreed record; the other rows "
    "are free wording, where the first person's text stays unless you choose the second.",
    "'entered' means that one person has a whole entry, such as an outcome at one time, and the other has "
    "none: choose the person who has it to keep it, the other to leave it out.",
    "A row that asks which arm is which comes first and takes yes or no; yes: the other rows of that study "
    "stand as they are; no: run 'metakit reconcile REVIEW' again, and the arms are compared by their ids.",
    "Studies may be settled one by one: what is filled in here is kept when the comparison is made again.",
)


def workbook_bytes(rows: Sequence[Mapping[str, str]]) -> bytes:
    """Return the rows of the decisions as an .xlsx workbook; texts stay texts, so that 5.10 stays 5.10."""
    import xlsxwriter

    stream = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(stream, options)
    looks = Looks(book)
    start, sheet = book.add_worksheet(START), book.add_worksheet(SHEET)
    start.set_column(0, 0, 100)
    start.hide_gridlines(2)
    start.write_string(0, 0, "Where two extractors disagree", looks.title)
    for number, text in enumerate(_EXPLAINED, start=2):
        start.write_string(number, 0, text, looks.text)
    sheet.set_row(0, 2 * LINE)
    for column, name in enumerate(COLUMNS):
        sheet.set_column(column, column, _WIDTHS[name])
        head = looks.required_head if name in FILLED_IN else looks.head
        sheet.write_string(0, column, name.replace("_", " "), head)
    for number, row in enumerate(rows, start=1):
        sheet.set_row(number, LINE * max(_lines(row, name) for name in COLUMNS if name != "field"))
        for column, name in enumerate(COLUMNS):
            sheet.write_string(number, column, row[name], _look(looks, row, name))
        _validate(sheet, number, row)
    sheet.freeze_panes(1, 2)
    sheet.autofilter(0, 0, max(len(rows), 1), len(COLUMNS) - 1)
    sheet.hide_gridlines(2)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.activate()
    book.close()
    return stream.getvalue()


def _lines(row: Mapping[str, str], name: str) -> int:
    """Return how many lines a text needs in its column; not every program fits rows by itself."""
    return max(1, math.ceil(1.15 * len(row[name]) / _WIDTHS[name]))


def _look(looks: Looks, row: Mapping[str, str], name: str) -> Any:
    if name in FILLED_IN:
        return looks.input("@")
    if name == "field":
        return looks.shown
    return looks.required if name == "needed" and row[name] == "yes" else looks.label


def _validate(sheet: Any, number: int, row: Mapping[str, str]) -> None:
    for name, hint in _HINTS.items():
        column = COLUMNS.index(name)
        rule: dict[str, Any] = {"input_title": name.replace("_", " "), "input_message": hint}
        if name == "decision":
            people = [row["first_extractor"], row["second_extractor"]]
            choices = YES_OR_NO if row["what"].endswith("?") else (*people, OTHER)
            rule |= {"validate": "list", "source": list(choices), "error_message": hint}
        else:
            rule["validate"] = "any"
        sheet.data_validation(number, column, number, column, rule)
