"""Type into workbooks as a person does: by the words beside a field and the headings of a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import openpyxl

from metakit.forms.record_workbooks.layout import key_of

Fields = Mapping[str, object]


def type_into(
    path: Path, fields: Mapping[str, Fields] = {}, tables: Mapping[str, Sequence[Fields]] = {}
) -> None:
    """Fill in sheets of single fields, and rows behind what stands in tables, then save.

    Fields are named as the workbook names them; on tables that lie on their side each entry is a column.
    """
    book = openpyxl.load_workbook(path)
    for name, values in fields.items():
        sheet = book[name]
        rows = {key_of(str(row[0].value)): row[0].row for row in sheet.iter_rows(min_row=5) if row[0].value}
        for field, value in values.items():
            sheet.cell(rows[key_of(field)], 2).value = value
    for name, entries in tables.items():
        sheet = book[name]
        beside = str(sheet.cell(4, 1).value) == "field"
        if beside:
            places = {
                key_of(str(row[0].value)): row[0].row for row in sheet.iter_rows(min_row=5) if row[0].value
            }
            taken = [
                c
                for c in range(4, sheet.max_column + 1)
                if any(sheet.cell(r, c).value is not None for r in places.values())
            ]
        else:
            places = {key_of(str(cell.value)): cell.column for cell in sheet[6] if cell.value}
            taken = [
                r
                for r in range(7, sheet.max_row + 1)
                if any(sheet.cell(r, c).value is not None for c in places.values())
            ]
        first = max(taken, default=3 if beside else 6) + 1
        for at, entry in enumerate(entries, start=first):
            for field, value in entry.items():
                place = places[key_of(field)]
                (sheet.cell(place, at) if beside else sheet.cell(at, place)).value = value
    book.save(path)
