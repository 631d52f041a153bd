"""Finding fields on sheets by their headings, and turning cells into texts with places."""

from __future__ import annotations

import datetime
import unicodedata
from collections.abc import Iterator

from metakit.errors import Problem, nearest_names
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.record_workbooks.cell_texts import date_text, decimal_comma, mangled_date, number_text
from metakit.forms.record_workbooks.grids import Grid, GridCell, letters
from metakit.forms.record_workbooks.layout import (
    FIELD,
    HELP,
    RECORD,
    UNIT,
    VALUE,
    Column,
    Path,
    SheetLayout,
    key_of,
)
from metakit.forms.record_workbooks.located import FoundRow, Text
from metakit.forms.record_workbooks.side_by_side import turned
from metakit.forms.sheets.sheet_rows import STRUCK, STRUCK_HINT, STRUCK_PART, text_problem
from metakit.forms.specs import FieldSpec
from metakit.forms.typed_numbers import Refused


class Locator:
    """Reads the cells of one sheet by its layout.

    Parameters
    ----------
    grid : Grid
        The cells.
    layout : SheetLayout
        What should stand there.
    batch : bool
        Whether the file holds several records, named on its sheets.
    """

    def __init__(self, grid: Grid, layout: SheetLayout, *, batch: bool) -> None:
        self.problems: list[Problem] = []
        if layout.side_by_side and grid.workbook and not batch:
            grid, self.problems = turned(grid)
        self.grid, self.layout, self.batch = grid, layout, batch
        self.missing: list[Path] = []
        self.home = grid.place(1, 1)  # where the first entry of a table belongs
        self.by_key = {column.key: column for column in layout.all_columns}

    def rows(self) -> list[FoundRow]:
        """Return the entries of the sheet; problems are collected on the way."""
        return list(self._table() if self.layout.table else self._list())

    def _header(self, wanted: set[str]) -> int | None:
        """Return the row with most of the wanted headings."""
        hits: dict[int, set[str]] = {}
        for (row, _), cell in self.grid.cells.items():
            key = key_of(str(cell.value)) if isinstance(cell.value, str) else ""
            if key in wanted:
                hits.setdefault(row, set()).add(key)
        best = max(hits, key=lambda row: (len(hits[row]), -row), default=None)
        if best is None or len(hits[best]) < min(2, len(wanted)):
            self._add(
                1,
                1,
                "the row of headings is missing",
                hint="copy it from an empty workbook of 'metakit sheet'",
            )
            return None
        return best

    def _headings(self, cells: Iterator[tuple[int, int, GridCell]]) -> dict[str, tuple[int, int]]:
        found: dict[str, tuple[int, int]] = {}
        for row, column, cell in cells:
            key = key_of(str(cell.value))
            if key in found:
                first = self.grid.place(*found[key]).file
                self._add(
                    row,
                    column,
                    f"this heading stands at {first} already",
                    found=str(cell.value),
                    hint="keep one",
                )
                continue
            if key:
                found[key] = (row, column)
        return found

    def _table(self) -> Iterator[FoundRow]:
        wanted = set(self.by_key) | ({RECORD} if self.batch else set())
        header = self._header(wanted)
        if header is None:
            return
        self.home = self.grid.place(header + 1, 1)
        cells = sorted(((c, cell) for (r, c), cell in self.grid.cells.items() if r == header), key=_position)
        heads = self._headings((header, column, cell) for column, cell in cells)
        if cells:
            self.home = self.grid.place(header + 1, cells[0][0])
        self._compare(heads, wanted, header, 1)
        columns = {position[1]: key for key, position in heads.items()}
        rows: dict[int, dict[int, GridCell]] = {}
        for (row, column), cell in self.grid.cells.items():
            if row > header:
                rows.setdefault(row, {})[column] = cell
        self._unmerge_down(rows, columns, header)
        for row, filled in sorted(rows.items()):
            known = {columns[c]: (c, cell) for c, cell in filled.items() if columns.get(c) in wanted}
            for column in filled.keys() - columns.keys():
                self._add(row, column, "a value in a column without heading", found=str(filled[column].value))
            if not known:
                continue
            first = min(c for c, _ in known.values())
            entry = FoundRow(Text("", self.grid.place(row, first)), self.grid.place(row, first))
            if self.batch:
                entry.record = self._key(row, heads.get(RECORD), known.get(RECORD), Column((), RECORD, _KEY))
            for column_ in self.layout.keys:
                entry.keys.append(self._key(row, heads.get(column_.key), known.get(column_.key), column_))
            for column_ in self.layout.columns:
                if column_.key in heads:
                    at = heads[column_.key][1]
                    entry.texts[column_.path] = self._text(row, at, filled.get(at), column_)
            yield entry

    def _key(
        self, row: int, head: tuple[int, int] | None, cell: tuple[int, GridCell] | None, column: Column
    ) -> Text:
        at = head[1] if head else 1
        text = self._text(row, at, cell[1] if cell else None, column)
        if head and not text.text:
            self._add(row, at, "a value is required", field=column.heading, hint=column.spec.help)
        return text

    def _list(self) -> Iterator[FoundRow]:
        header = self._header(
            {key_of(name) for name in (FIELD, VALUE, UNIT, HELP)} - ({VALUE} if self.batch else set())
        )
        if header is None:
            return
        cells = sorted(((c, cell) for (r, c), cell in self.grid.cells.items() if r == header), key=_position)
        heads = self._headings((header, column, cell) for column, cell in cells)
        if FIELD not in heads:
            self._add(header, 1, "the column of field names is missing", allowed=FIELD)
            return
        if not self.batch and VALUE not in heads:
            self._add(header, 1, "the column of values is missing", allowed=VALUE)
            return
        names = heads[FIELD][1]
        labels = sorted(
            ((r, cell) for (r, c), cell in self.grid.cells.items() if c == names and r > header),
            key=_position,
        )
        places = self._headings((row, names, cell) for row, cell in labels)
        self._compare(places, set(self.by_key), header, names)
        known = {key_of(UNIT), key_of(HELP), FIELD} | (set() if self.batch else {VALUE})
        values = {
            column: str(self.grid.cells[row, column].value).strip()
            for key, (row, column) in heads.items()
            if (key not in known if self.batch else key == VALUE)
        }
        self._strays(header, values, {heads[key][1] for key in known if key in heads})
        for column, record in values.items():
            entry = FoundRow(Text(record, self.grid.place(header, column)), self.grid.place(header, column))
            for field_ in self.layout.columns:
                if field_.key in places:
                    row = places[field_.key][0]
                    entry.texts[field_.path] = self._text(
                        row, column, self.grid.cells.get((row, column)), field_
                    )
            yield entry
        for first_row, first, last_row, last in self.grid.merged:
            if (
                any(first <= column <= last for column in values)
                and last_row > header
                and (first_row, first) in self.grid.cells
            ):
                self._add(
                    first_row,
                    first,
                    "merged cells; which field is meant?",
                    hint="unmerge them and type one value a cell",
                )

    def _strays(self, header: int, values: dict[int, str], ours: set[int]) -> None:
        for (row, column), cell in sorted(self.grid.cells.items(), key=lambda item: item[0]):
            if row > header and column not in values and column not in ours:
                head = self.grid.cells.get((header, column))
                if head is None:
                    self._add(row, column, "a value in a column without heading", found=str(cell.value))
                else:
                    self._add(
                        row,
                        column,
                        "not read: the column is no part of the form",
                        found=str(cell.value),
                        question=True,
                    )

    def _compare(self, found: dict[str, tuple[int, int]], wanted: set[str], row: int, column: int) -> None:
        lacking = sorted(wanted - found.keys())
        for key in lacking:
            home = self.by_key.get(key)
            heading = home.heading if home else key
            if home:
                self.missing.append(home.path)
            near = nearest_names(key, found.keys() - wanted) if found.keys() - wanted else ""
            hint = near if near.startswith("did you mean") else ""
            self._add(
                row,
                column,
                f"the heading '{heading}' is missing",
                hint=hint or "put it back; its cells may stay empty",
            )
        for key in sorted(found.keys() - wanted):
            at = found[key]
            what = "not read: this heading is no part of the form"
            self._add(*at, what, found=str(self.grid.cells[at].value), question=True)

    def _unmerge_down(
        self, rows: dict[int, dict[int, GridCell]], columns: dict[int, str], header: int
    ) -> None:
        """Give a value that spans several rows to each of them; refuse one that spans several fields."""
        for first_row, first, last_row, last in self.grid.merged:
            cell = self.grid.cells.get((first_row, first))
            if cell is None or first_row <= header:
                continue
            if last > first:
                self._add(
                    first_row,
                    first,
                    "merged cells across several fields; which one is meant?",
                    found=str(cell.value),
                    hint="unmerge them",
                )
                continue
            below = [row for row in range(first_row + 1, last_row + 1) if rows.get(row)]
            for row in below:
                rows[row].setdefault(first, cell)
            if below:
                self._add(
                    first_row,
                    first,
                    f"merged cells: read as the same value in {self._lines(first_row, below[-1])}; right?",
                    found=str(cell.value),
                    question=True,
                )

    def _lines(self, first: int, last: int) -> str:
        if self.grid.on_its_side:
            return f"columns {letters(first)} to {letters(last)}"
        return f"rows {first} to {last}"

    def _text(self, row: int, column: int, cell: GridCell | None, home: Column) -> Text:
        place = self.grid.place(row, column)
        if cell is None:
            return Text("", place)
        name = ".".join(home.path) or home.heading
        if cell.problem:
            hint = STRUCK_HINT if cell.problem in (STRUCK, STRUCK_PART) else "type the value itself"
            self._add(row, column, cell.problem, field=name, found=str(cell.value), hint=hint)
            return Text("", place)
        try:
            text = self._typed(cell, home.spec)
        except Refused as refused:
            self._add(
                row,
                column,
                refused.what,
                field=name,
                found=str(cell.value),
                allowed=refused.allowed,
                hint=refused.hint,
            )
            return Text("", place)
        what = text_problem(text)
        if what:
            self._add(row, column, what, field=name, found=ascii(text)[1:80])
            return Text("", place)
        if cell.formula:
            self._add(row, column, f"a formula; its value {text} was read", field=name, question=True)
        pointed = decimal_comma(text, home.spec)
        if pointed:
            self._add(
                row, column, f"a decimal comma, read as {pointed}", field=name, found=text, question=True
            )
        return Text(pointed or text, place)

    def _typed(self, cell: GridCell, spec: FieldSpec) -> str:
        value = cell.value
        if isinstance(value, bool):
            if spec.type == "yes_no" or {"yes", "no"} <= set(spec.terms):
                return "yes" if value else "no"
            raise Refused("a truth value, where none belongs")
        if isinstance(value, (int, float)):
            return number_text(value, cell.number_format, calculated=cell.formula)
        if isinstance(value, (datetime.date, datetime.time, datetime.timedelta)):
            return date_text(
                value, cell.number_format, "number" if FIELD_TYPES[spec.type].numeric else spec.type
            )
        text = unicodedata.normalize("NFC", str(value).strip())
        if FIELD_TYPES[spec.type].numeric and mangled_date(text):
            raise Refused("a date, where none belongs", hint=mangled_date(text))
        return text

    def _add(
        self,
        row: int,
        column: int,
        what: str,
        *,
        field: str = "",
        found: str = "",
        allowed: str = "",
        hint: str = "",
        question: bool = False,
    ) -> None:
        """Note a problem at a cell; `question` makes it a question."""
        self.problems.append(
            self.grid.problem(
                row,
                column,
                what,
                field=field,
                found=found,
                allowed=allowed,
                hint=hint,
                severity="question" if question else "error",
            )
        )


_KEY = FieldSpec(name=RECORD, type="text", help="the record that the row belongs to", required=True)


def _position(item: tuple[int, GridCell]) -> int:
    return item[0]
