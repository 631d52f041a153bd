"""A workbook of a form, empty or filled: XlsxWriter writes, texts stay texts."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

from metakit.core.nouns import nouns
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import begun, entry_words, plain_words
from metakit.forms.record_workbooks.cell_texts import plain_number
from metakit.forms.record_workbooks.explaining import Looks, write_choices, write_example, write_start
from metakit.forms.record_workbooks.filling import Filling, fill
from metakit.forms.record_workbooks.grids import letters
from metakit.forms.record_workbooks.layout import (
    CHOICES,
    EXAMPLE,
    FIELD,
    HELP,
    HIDDEN,
    RECORD,
    START,
    UNIT,
    VALUE,
    Column,
    Layout,
    SheetLayout,
)
from metakit.forms.record_workbooks.side_by_side import FIRST_ENTRY, entries_shown, heads_of
from metakit.forms.record_workbooks.validation import soft_test, validation_of
from metakit.forms.tree import Missing
from metakit.forms.yaml_nodes import MapNode

SPARE_ROWS = 40
RULED_ROWS = 400
LIST_HEAD, TABLE_HEAD = 3, 5  # rows (from 0) that hold the headings


def workbook_bytes(
    layout: Layout,
    records: Mapping[str, MapNode | None],
    *,
    batch: bool,
    example: MapNode | None = None,
    more_facts: Mapping[str, str] | None = None,
) -> bytes:
    """Return an .xlsx workbook.

    Parameters
    ----------
    layout : Layout
        Sheets of the form.
    records : mapping of str to MapNode or None
        What to fill in, by name of the record; None for a record yet to be typed.
    batch : bool
        Whether the records are named on the sheets; otherwise there is exactly one, named by its file.
    example : MapNode, optional
        An invented record to show.
    more_facts : mapping of str to str, optional
        What the workbook says about itself besides, out of sight.
    """
    import xlsxwriter

    stream = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_numbers": False,
        "strings_to_formulas": False,
        "strings_to_urls": False,
    }
    book = xlsxwriter.Workbook(stream, options)
    book.set_properties(
        {
            "title": nouns().said(layout.form.title),
            "comments": f"form {layout.form.name} {layout.form.version}",
        }
    )
    writer = _Writer(book, layout, records, batch=batch)
    writer.write(example, more_facts or {})
    book.close()
    return stream.getvalue()


class _Writer:
    def __init__(
        self, book: Any, layout: Layout, records: Mapping[str, MapNode | None], *, batch: bool
    ) -> None:
        self.book, self.layout, self.batch = book, layout, batch
        self.names = list(records)
        self.filling: Filling = fill(layout, records)
        self.looks = Looks(book)
        self.sheets = {sheet.name: None for sheet in layout.sheets}
        self.codes = f"'{CHOICES}'!$A$5:$A$7"
        self.choices: dict[tuple[str, ...], str] = {}

    def write(self, example: MapNode | None, more_facts: Mapping[str, str]) -> None:
        start = self.book.add_worksheet(START)
        sheets = {layout.name: self.book.add_worksheet(layout.name) for layout in self.layout.sheets}
        shown = self.book.add_worksheet(EXAMPLE)
        choices = self.book.add_worksheet(CHOICES)
        self.choices = write_choices(choices, self.layout, self.looks)
        write_start(start, self.layout, self.looks, batch=self.batch)
        write_example(shown, self.layout, self.looks, example)
        for layout in self.layout.sheets:
            sheet = sheets[layout.name]
            beside = layout.side_by_side and not self.batch
            (self._beside if beside else self._table if layout.table else self._list)(sheet, layout)
            sheet.protect("", _FREEDOMS)
            sheet.hide_gridlines(2)
            sheet.set_landscape()
            sheet.set_paper(9)
            if layout.table and not beside:
                sheet.set_print_scale(60)
                sheet.repeat_rows(0, TABLE_HEAD)
                sheet.repeat_columns(0, len(layout.keys) + self.batch)
            else:
                sheet.fit_to_pages(1, 0)
        hidden = self.book.add_worksheet(HIDDEN)
        own = {**facts(self.layout, batch=self.batch), **more_facts}
        for row, (name, text) in enumerate(own.items()):
            hidden.write_string(row, 0, name)
            hidden.write_string(row, 1, text)
        hidden.very_hidden()
        start.activate()

    def _titles(self, sheet: Any, layout: SheetLayout) -> None:
        sheet.set_row(0, 26)
        sheet.write_string(0, 0, begun(plain_words(layout.name)), self.looks.title)
        sheet.write_string(1, 0, layout.about or " ", self.looks.about)

    def _list(self, sheet: Any, layout: SheetLayout) -> None:
        self._titles(sheet, layout)
        heads = [FIELD, UNIT, HELP, *self.names] if self.batch else [FIELD, VALUE, UNIT, HELP]
        for at, head in enumerate(heads):
            sheet.write_string(LIST_HEAD, at, head, self.looks.head)
        values = list(range(3, len(heads))) if self.batch else [1]
        unit, words = (1, 2) if self.batch else (2, 3)
        sheet.set_column(0, 0, 30)
        sheet.set_column(unit, unit, 10)
        sheet.set_column(words, words, 50 if self.batch else 62)
        sheet.set_column(values[0], values[-1], 34)
        sheet.freeze_panes(LIST_HEAD + 1, 1)
        for row, column in enumerate(layout.columns, start=LIST_HEAD + 1):
            sheet.write_string(
                row, 0, _marked(column), self.looks.required if column.spec.required else self.looks.label
            )
            sheet.write_string(row, unit, column.spec.unit, self.looks.help)
            help_text = entry_words(column.spec)
            sheet.write_string(row, words, help_text, self.looks.help)
            longest = max(len(self.filling.lists[name].get(column.path, "")) for name in self.names)
            lines = max(1, -(-len(help_text) // (54 if self.batch else 74)), -(-longest // 34))
            sheet.set_row(row, min(15 * lines, 120))
            for at, name in zip(values, self.names, strict=True):
                self._value(sheet, row, at, self.filling.lists[name].get(column.path, ""), column)
            self._rules(sheet, column, row, values[0], row, values[-1])

    def _table(self, sheet: Any, layout: SheetLayout) -> None:
        self._titles(sheet, layout)
        keys = [_RECORD_COLUMN] * self.batch + list(layout.keys)
        columns = [*keys, *layout.columns]
        helps = [-(-len(entry_words(column.spec)) // int(1.25 * _width(column))) for column in columns]
        sheet.set_row(TABLE_HEAD - 3, 18)
        sheet.set_row(TABLE_HEAD - 1, min(6 + 11.5 * max(helps), 150))
        sheet.set_row(TABLE_HEAD, 34)
        bands = ["" if len(c.path) < 2 else plain_words(c.path[0]) for c in columns]
        for at, column in enumerate(columns):
            new = bands[at] and (at == 0 or bands[at - 1] != bands[at])
            sheet.write_string(
                TABLE_HEAD - 3,
                at,
                bands[at] if new else "",
                self.looks.band if bands[at] else self.looks.plain,
            )
            sheet.write_string(TABLE_HEAD - 2, at, column.spec.unit, self.looks.help)
            sheet.write_string(TABLE_HEAD - 1, at, entry_words(column.spec), self.looks.small)
            required = column.spec.required
            sheet.write_string(
                TABLE_HEAD, at, _marked(column), self.looks.required_head if required else self.looks.head
            )
            sheet.set_column(at, at, _width(column))
        sheet.freeze_panes(TABLE_HEAD + 1, len(keys) if layout.keys else len(keys) + layout.frozen)
        rows = self.filling.tables.get(layout.path, [])
        for number in range(max(len(rows) + SPARE_ROWS, SPARE_ROWS)):
            row = TABLE_HEAD + 1 + number
            filled = rows[number] if number < len(rows) else None
            if filled:
                wraps = [-(-len(filled.texts.get(c.path, "")) // int(_width(c))) for c in layout.columns]
                sheet.set_row(row, min(15 * max(1, *wraps), 120))
            ties = ([filled.record] * self.batch + list(filled.keys)) if filled else [""] * len(keys)
            for at, column in enumerate(columns):
                text = ties[at] if at < len(keys) else (filled.texts.get(column.path, "") if filled else "")
                self._value(sheet, row, at, text, column)
        last = TABLE_HEAD + len(rows) + RULED_ROWS
        for at, column in enumerate(columns):
            self._rules(sheet, column, TABLE_HEAD + 1, at, last, at)

    def _beside(self, sheet: Any, layout: SheetLayout) -> None:
        """Write a table on its side: an entry a column, with unit and help beside each field."""
        self._titles(sheet, layout)
        rows = self.filling.tables.get(layout.path, [])
        shown = entries_shown(len(rows))
        for at, head in enumerate(heads_of(shown)):
            sheet.write_string(LIST_HEAD, at, head, self.looks.head)
        sheet.set_column(0, 0, 30)
        sheet.set_column(1, 1, 9)
        sheet.set_column(2, 2, 46)
        sheet.set_column(FIRST_ENTRY, FIRST_ENTRY + shown - 1, 22)
        sheet.freeze_panes(LIST_HEAD + 1, 1)
        for row, column in enumerate(layout.columns, start=LIST_HEAD + 1):
            look = self.looks.required if column.spec.required else self.looks.label
            help_text = entry_words(column.spec)
            sheet.write_string(row, 0, _marked(column), look)
            sheet.write_string(row, 1, column.spec.unit, self.looks.help)
            sheet.write_string(row, 2, help_text, self.looks.help)
            texts = [filled.texts.get(column.path, "") for filled in rows]
            lines = max(1, -(-len(help_text) // 58), *(-(-len(text) // 24) for text in texts or [""]))
            sheet.set_row(row, min(15 * lines, 120))
            for at in range(shown):
                self._value(sheet, row, FIRST_ENTRY + at, texts[at] if at < len(texts) else "", column)
            self._rules(sheet, column, row, FIRST_ENTRY, row, FIRST_ENTRY + shown - 1)

    def _value(self, sheet: Any, row: int, column: int, text: str, home: Column) -> None:
        text = nouns().said(text) if home.spec.terms else text
        numeric = FIELD_TYPES[home.spec.type].numeric
        stored = plain_number(text) if numeric and text else None
        if stored:
            sheet.write_number(row, column, stored[0], self.looks.input(stored[1]))
        elif text:
            sheet.write_string(row, column, text, self.looks.input("General" if numeric else "@"))
        else:
            sheet.write_blank(row, column, None, self.looks.input("General" if numeric else "@"))

    def _rules(self, sheet: Any, column: Column, top: int, left: int, bottom: int, right: int) -> None:
        cell = f"{letters(left + 1)}{top + 1}"
        options = validation_of(
            column.spec,
            cell,
            codes=self.codes,
            choices=self.choices.get(_terms(column)),
            ids=self._ids(column),
        )
        sheet.data_validation(top, left, bottom, right, options)
        unusual = soft_test(column.spec, cell)
        if unusual:
            sheet.conditional_format(
                top,
                left,
                bottom,
                right,
                {"type": "formula", "criteria": unusual, "format": self.looks.unusual},
            )

    def _ids(self, column: Column) -> str | None:
        """Return the range of the identifiers that a column refers to, or of the records of the workbook."""
        if column is _RECORD_COLUMN:
            first = next(sheet for sheet in self.layout.sheets if not sheet.table)
            head = LIST_HEAD + 1
            return f"'{first.name}'!$D${head}:${letters(3 + len(self.names))}${head}"
        target = (
            self.layout.column_at(tuple(column.spec.refers_to.split("."))) if column.spec.refers_to else None
        )
        if target is None or not target[0].table:
            return None
        sheet, home = target
        if sheet.side_by_side and not self.batch:
            row = LIST_HEAD + 2 + sheet.columns.index(home)
            end = letters(FIRST_ENTRY + entries_shown(len(self.filling.tables.get(sheet.path, ()))))
            return f"'{sheet.name}'!${letters(FIRST_ENTRY + 1)}${row}:${end}${row}"
        at = letters(sheet.columns.index(home) + 1 + len(sheet.keys) + self.batch)
        last = TABLE_HEAD + 1 + len(self.filling.tables.get(sheet.path, ())) + SPARE_ROWS
        return f"'{sheet.name}'!${at}${TABLE_HEAD + 2}:${at}${last}"


def facts(layout: Layout, *, batch: bool) -> dict[str, str]:
    """Return what a file of records says about itself."""
    return {
        "form": layout.form.name,
        "form_version": str(layout.form.version),
        "kind": "batch" if batch else "single",
    }


def _terms(column: Column) -> tuple[str, ...]:
    spec = column.spec
    from metakit.forms.record_workbooks.explaining import terms_of

    return terms_of(spec)


def _marked(column: Column) -> str:
    return f"{column.heading} *" if column.spec.required else column.heading


def _width(column: Column) -> float:
    if column.spec.type == "choice" and column.spec.terms:
        return max(11.0, min(24.0, max(map(len, column.spec.terms)) + 3.0))
    widest = {"text": 24.0, "choice": 22.0, "choices": 26.0, "list": 26.0, "identifier": 14.0}
    return widest.get(column.spec.type, max(12.0, min(20.0, len(column.heading) * 0.7)))


def _record_column() -> Column:
    from metakit.forms.specs import FieldSpec

    spec = FieldSpec(
        name=RECORD,
        type="text",
        help="the record that the row belongs to",
        required=True,
        may_be_missing=False,
    )
    return Column((), RECORD, spec)


_RECORD_COLUMN = _record_column()
_FREEDOMS = {
    "format_cells": True,
    "format_columns": True,
    "format_rows": True,
    "insert_rows": True,
    "insert_columns": True,
    "delete_rows": True,
    "sort": True,
    "autofilter": True,
}
CODES = tuple(code.value for code in Missing)
