"""The sheets of a form as CSV texts, one a sheet; no cell can be taken for a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

from metakit.forms.field_words import entry_words
from metakit.forms.record_workbooks.filling import fill
from metakit.forms.record_workbooks.layout import FIELD, HELP, HIDDEN, RECORD, UNIT, Layout
from metakit.forms.record_workbooks.writing import facts
from metakit.forms.sheets.csv_tables import guarded
from metakit.forms.yaml_nodes import MapNode


def csv_texts(layout: Layout, records: Mapping[str, MapNode | None]) -> dict[str, str]:
    """Return the CSV texts by file name.

    Parameters
    ----------
    layout : Layout
        Sheets of the form.
    records : mapping of str to MapNode or None
        What to fill in, by name of the record.
    """
    filling = fill(layout, records)
    texts = {f"{HIDDEN}.csv": _text([list(pair) for pair in facts(layout, batch=True).items()])}
    for sheet in layout.sheets:
        if sheet.table:
            rows = [[RECORD, *(column.heading for column in sheet.all_columns)]]
            rows += [
                [row.record, *row.keys, *(row.texts.get(column.path, "") for column in sheet.columns)]
                for row in filling.tables.get(sheet.path, ())
            ]
        else:
            rows = [[FIELD, UNIT, HELP, *records]]
            rows += [
                [c.heading + (" *" if c.spec.required else ""), c.spec.unit, entry_words(c.spec)]
                + [filling.lists[name].get(c.path, "") for name in records]
                for c in sheet.columns
            ]
        texts[f"{sheet.name}.csv"] = _text(rows)
    return texts


def _text(rows: list[list[str]]) -> str:
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\r\n").writerows([guarded(cell) for cell in row] for row in rows)
    return stream.getvalue()
