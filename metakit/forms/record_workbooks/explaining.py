"""Sheets that explain: where to start, an invented example, every list to choose from."""

from __future__ import annotations

from typing import Any

from metakit.core.nouns import nouns
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import begun, plain_words
from metakit.forms.record_workbooks.filling import fill
from metakit.forms.record_workbooks.grids import letters
from metakit.forms.record_workbooks.layout import CHOICES, Layout
from metakit.forms.record_workbooks.start_words import start_words
from metakit.forms.specs import FieldSpec
from metakit.forms.tree import Missing
from metakit.forms.yaml_nodes import MapNode

CODES = tuple(code.value for code in Missing)
_CODE_WORDS = {
    "not_reported": "The report is silent about it. Not the same as zero, and not the same as a blank.",
    "not_measured": "The report says that it was not measured.",
    "not_applicable": "It makes no sense for this study.",
}
_INK, _WASH, _LINE = "#26343B", "#E7EEE9", "#9BA9A3"

TITLE_HEIGHT = 26.0
"""Height in points of the row of a title, so that the line below keeps off it."""


class Looks:
    """The formats of a workbook."""

    def __init__(self, book: Any) -> None:
        base = {"font_name": "Arial", "font_size": 10, "valign": "top", "font_color": _INK}
        ruled = {**base, "border": 1, "border_color": _LINE}
        add = book.add_format
        self._book, self._ruled = book, ruled
        self._inputs: dict[str, Any] = {}
        self.plain = add(base)
        self.title = add({**base, "font_size": 16, "bold": True})
        self.about = add({**base, "italic": True})
        self.part = add({**base, "bold": True, "font_size": 12, "bottom": 2, "bottom_color": _INK})
        self.text = add({**base, "text_wrap": True})
        self.head = add({**ruled, "bold": True, "bg_color": _WASH, "text_wrap": True})
        self.required_head = add(
            {**ruled, "bold": True, "bg_color": _WASH, "text_wrap": True, "bottom": 5, "bottom_color": _INK}
        )
        self.label = add({**ruled, "text_wrap": True})
        self.required = add({**ruled, "bold": True, "text_wrap": True, "left": 5, "left_color": _INK})
        self.help = add({**base, "text_wrap": True})
        self.small = add({**base, "text_wrap": True, "font_size": 8})
        self.band = add({**base, "bold": True, "top": 2, "top_color": _INK})
        self.shown = add({**ruled, "italic": True, "num_format": "@"})
        self.unusual = add({"bold": True, "italic": True, "bg_color": "#F6E3B4"})

    def input(self, number_format: str) -> Any:
        """Return the format of a cell to type in."""
        if number_format not in self._inputs:
            options = {
                **self._ruled,
                "locked": False,
                "num_format": number_format,
                "text_wrap": number_format == "@",
            }
            self._inputs[number_format] = self._book.add_format(options)
        return self._inputs[number_format]


def terms_of(spec: FieldSpec) -> tuple[str, ...]:
    """Return what a drop-down offers, codes for missing values included where the form allows them."""
    if spec.type == "yes_no":
        return ("yes", "no", *(CODES if spec.may_be_missing else ()))
    if not spec.terms:
        return ()
    return (*spec.terms, *(code for code in CODES if spec.may_be_missing and code not in spec.terms))


def write_choices(sheet: Any, layout: Layout, looks: Looks) -> dict[tuple[str, ...], str]:
    """Write every list with its meanings and return the range of each."""
    sheet.set_row(0, TITLE_HEIGHT)
    sheet.write_string(0, 0, "Choices", looks.title)
    sheet.write_string(
        1, 0, "What may be chosen, and what it means. The drop-downs take their words from here.", looks.about
    )
    sheet.write_string(3, 0, "missing values", looks.head)
    sheet.write_string(3, 1, "meaning", looks.head)
    for row, code in enumerate(CODES, start=4):
        sheet.write_string(row, 0, code, looks.label)
        sheet.write_string(row, 1, _CODE_WORDS[code], looks.help)
    ranges: dict[tuple[str, ...], str] = {}
    at = 3
    for layout_ in layout.sheets:
        for column in layout_.columns:
            terms = terms_of(column.spec)
            if not terms or terms in ranges:
                continue
            sheet.write_string(3, at, column.heading, looks.head)
            sheet.write_string(3, at + 1, "meaning", looks.head)
            for row, name in enumerate(terms, start=4):
                term = column.spec.terms.get(name)
                words = (
                    (f"{term.label}. {term.definition}" if term.definition else term.label)
                    if term
                    else _CODE_WORDS.get(name, "")
                )
                sheet.write_string(row, at, nouns().said(name), looks.label)
                sheet.write_string(row, at + 1, nouns().said(words.strip()), looks.help)
            letter = letters(at + 1)
            ranges[terms] = f"'{CHOICES}'!${letter}$5:${letter}${4 + len(terms)}"
            sheet.set_column(at, at, 28)
            sheet.set_column(at + 1, at + 1, 46)
            sheet.set_column(at + 2, at + 2, 2)
            at += 3
    sheet.set_column(0, 0, 18)
    sheet.set_column(1, 1, 40)
    sheet.set_column(2, 2, 2)
    sheet.freeze_panes(4, 0)
    _finish(sheet)
    return ranges


def write_start(sheet: Any, layout: Layout, looks: Looks, *, batch: bool) -> None:
    """Write the sheet that explains the others."""
    sheet.set_column(0, 0, 26)
    sheet.set_column(1, 1, 96)
    sheet.set_row(0, TITLE_HEIGHT)
    sheet.write_string(0, 0, nouns().said(layout.form.title), looks.title)
    sheet.write_string(1, 0, nouns().said(layout.form.about), looks.about)
    row = 3
    parts = start_words(layout, batch=batch)
    for title, lines in parts:
        sheet.write_string(row, 0, title, looks.part)
        sheet.write_string(row, 1, "", looks.part)
        row += 1
        for name, text in lines:
            sheet.write_string(row, 0, name, looks.text)
            sheet.write_string(row, 1, text, looks.text)
            if len(text) > 105:
                sheet.set_row(row, 27 if len(text) <= 210 else 40)
            row += 1
        row += 1
    _finish(sheet)


def write_example(sheet: Any, layout: Layout, looks: Looks, example: MapNode | None) -> None:
    """Write an invented example: a given record, or what the fields of the form name as their examples."""
    sheet.set_column(0, 30, 20)
    sheet.set_row(0, TITLE_HEIGHT)
    sheet.write_string(0, 0, "Invented example", looks.title)
    sheet.write_string(
        1, 0, "To look at only: no real patients, authors or units. This sheet is not read.", looks.about
    )
    filling = fill(layout, {"example": example})
    row = 3
    for layout_ in layout.sheets:
        columns = [column for column in layout_.all_columns if column.path or layout_.table]
        if example is not None:
            rows = (
                [
                    [*r.keys, *(r.texts.get(c.path, "") for c in layout_.columns)]
                    for r in filling.tables.get(layout_.path, ())
                ]
                if layout_.table
                else [[filling.lists["example"].get(c.path, "") for c in columns]]
            )
        else:
            rows = [[_example(column.spec) for column in columns]]
        rows = [r for r in rows if any(r)]
        if not rows:
            continue
        used = [at for at in range(len(columns)) if any(r[at] for r in rows)]
        sheet.write_string(row, 0, begun(plain_words(layout_.name)), looks.part)
        row += 1
        if layout_.table:
            for at, index in enumerate(used):
                sheet.write_string(row, at, columns[index].heading, looks.head)
                for down, texts in enumerate(rows, start=1):
                    sheet.write_string(row + down, at, texts[index], looks.shown)
            row += len(rows) + 2
        else:
            for index in used:
                sheet.write_string(row, 0, columns[index].heading, looks.head)
                sheet.write_string(row, 1, rows[0][index], looks.shown)
                row += 1
            row += 1
    _finish(sheet)
    sheet.set_print_scale(60)  # wide tables: several pages that can be read


def _example(spec: FieldSpec) -> str:
    if not spec.example and not spec.required:
        return ""
    fallback = next(iter(spec.terms), "") or FIELD_TYPES[spec.type].example
    return nouns().said((spec.example or fallback).strip("[]"))


def _finish(sheet: Any) -> None:
    sheet.hide_gridlines(2)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.protect("", {"format_columns": True, "format_rows": True})
