"""How a form lies on sheets: single sections as lists of fields, repeating groups as tables."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import takewhile

from metakit.core.nouns import nouns
from metakit.errors import UsageError
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import plain_words
from metakit.forms.specs import GROUP, FieldSpec, Form

Path = tuple[str, ...]
GENERAL, START, EXAMPLE, CHOICES, HIDDEN = "general", "start here", "example", "choices", "metakit"
RECORD, ENTRY, VALUE = "record", "entry", "value"
FIELD, UNIT, HELP = "field", "unit", "what to enter"
LEFT_OUT = "left out as a whole"
LEFT_OUT_HELP = (
    "Rarely needed. Groups of fields that are missing as a whole, separated by semicolons: "
    "'age: not_reported', or 'none' behind the name of a table that stays empty on purpose."
)
_RESERVED = {GENERAL, START, EXAMPLE, CHOICES, HIDDEN}


def key_of(text: str) -> str:
    """Return a heading in the form in which headings are compared; a mark of required cells is left out."""
    return re.sub(r"[\s_.:]+", "_", text.strip().rstrip("*").strip().casefold())


@dataclass(frozen=True, slots=True)
class Column:
    """One field on a sheet: where it belongs within its entry, and how the sheet calls it."""

    path: Path
    heading: str
    spec: FieldSpec

    @property
    def key(self) -> str:
        """The heading as compared."""
        return key_of(self.heading)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLayout:
    """One sheet.

    `table`: entries of the repeating group at `path`, one a row; otherwise fields below each other.
    `keys` are the columns that tie a row to the entries around it; `numbered` says that rows carry a number
    because the group has no identifier of its own. `side_by_side` tables lie on their side in a workbook of
    one record: an entry a column. `frozen` is how many leading fields tell entries apart and stay in view.
    """

    name: str
    path: Path
    table: bool
    about: str
    columns: tuple[Column, ...]
    keys: tuple[Column, ...] = ()
    numbered: bool = False
    side_by_side: bool = False
    frozen: int = 1

    @property
    def all_columns(self) -> tuple[Column, ...]:
        """Keys first, then the fields."""
        return (*self.keys, *self.columns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """All sheets of a form."""

    form: Form
    sheets: tuple[SheetLayout, ...] = field(default_factory=tuple)

    def table_of(self, path: Path) -> SheetLayout:
        """Return the table of a repeating group."""
        return next(sheet for sheet in self.sheets if sheet.table and sheet.path == path)

    def column_at(self, path: Path) -> tuple[SheetLayout, Column] | None:
        """Return where the field at a path of the form stands."""
        for sheet in self.sheets:
            if sheet.table and path[: len(sheet.path)] != sheet.path:
                continue
            for column in sheet.columns:
                here = (*sheet.path, *column.path) if sheet.table else column.path
                if here == path and column.spec.name != LEFT_OUT:
                    return sheet, column
        return None


def layout_of(form: Form) -> Layout:
    """Lay a form out on sheets."""
    return Layout(form=form, sheets=tuple(_Layouter(form).sheets()))


def identifier_of(form: Form, spec: FieldSpec) -> FieldSpec | None:
    """Return the field that names the entries of a repeating group, if it has one."""
    return next(
        (f for f in form.fields_of(spec) if f.type == "identifier" and f.required and not f.refers_to), None
    )


class _Layouter:
    def __init__(self, form: Form) -> None:
        self.form = form
        self.names: set[str] = set(_RESERVED)

    def sheets(self) -> Iterator[SheetLayout]:
        loose = [spec for spec in self.form.sections if spec.type != GROUP]
        for spec in self.form.sections:
            if spec.type != GROUP:
                continue
            if spec.repeats:
                yield from self._tables(spec, (spec.name,), ())
                continue
            columns = tuple(self._columns(self.form.fields_of(spec), (spec.name,), (spec.name,)))
            if columns:
                about = nouns().said(spec.help)
                yield SheetLayout(
                    name=self._name(spec.name),
                    path=(spec.name,),
                    table=False,
                    about=about,
                    columns=self._distinct(columns),
                )
            for nested, path in self._repeating(self.form.fields_of(spec), (spec.name,)):
                yield from self._tables(nested, path, ())
        columns = tuple(Column((spec.name,), _words((spec.name,)), spec) for spec in loose)
        yield SheetLayout(
            name=GENERAL, path=(), table=False, about="What stands beside the sections.",
            columns=self._distinct((*columns, _left_out(()))),
        )  # fmt: skip

    def _tables(self, spec: FieldSpec, path: Path, keys: tuple[Column, ...]) -> Iterator[SheetLayout]:
        fields = self.form.fields_of(spec)
        named = identifier_of(self.form, spec)
        nested = list(self._repeating(fields, ()))
        columns = list(self._columns(fields, (), ()))
        if any(field.type == GROUP for field in fields):
            columns.append(_left_out(()))
        numbered = named is None and bool(nested)
        own = list(keys)
        if numbered:
            number = FieldSpec(name=ENTRY, type="integer", help="number of the entry, from 1", required=True)
            own.append(Column((), ENTRY, number))
        yield SheetLayout(
            name=self._name("_".join(path)), path=path, table=True, about=nouns().said(spec.help),
            columns=self._distinct(tuple(columns)), keys=tuple(own), numbered=numbered,
            side_by_side=spec.side_by_side and not own, frozen=_frozen(spec, columns),
        )  # fmt: skip
        for inner, within in nested:
            what = named.name if named else ENTRY
            heading = f"{_words(path)}: {what}"
            tie = FieldSpec(
                name="tie",
                type="text",
                help=f"which entry of {_words(path)} the row belongs to",
                required=True,
                refers_to=".".join((*path, what)) if named else "",
            )
            yield from self._tables(inner, (*path, *within), (*keys, Column((), heading, tie)))

    def _columns(self, specs: tuple[FieldSpec, ...], path: Path, shown_from: Path) -> Iterator[Column]:
        for spec in specs:
            here = (*path, spec.name)
            if spec.type != GROUP:
                yield Column(here, _words(here[len(shown_from) :]), spec)
            elif not spec.repeats:
                yield from self._columns(self.form.fields_of(spec), here, shown_from)

    def _repeating(self, specs: tuple[FieldSpec, ...], path: Path) -> Iterator[tuple[FieldSpec, Path]]:
        for spec in specs:
            if spec.type == GROUP and spec.repeats:
                yield spec, (*path, spec.name)
            elif spec.type == GROUP:
                yield from self._repeating(self.form.fields_of(spec), (*path, spec.name))

    def _distinct(self, columns: tuple[Column, ...]) -> tuple[Column, ...]:
        seen: dict[str, Path] = {}
        for column in columns:
            if column.key in seen:
                raise UsageError(
                    f"form {self.form.name}: {'.'.join(column.path)} and {'.'.join(seen[column.key])} "
                    "would get the same heading in a workbook; rename one of them"
                )
            seen[column.key] = column.path
        return columns

    def _name(self, wanted: str) -> str:
        name = re.sub(r"[\[\]:*?/\\']", "_", nouns().said(wanted))[:31]
        number = 2
        while name.casefold() in self.names:
            end = f"_{number}"
            name, number = name[: 31 - len(end)] + end, number + 1
        self.names.add(name.casefold())
        return name


def _frozen(spec: FieldSpec, columns: list[Column]) -> int:
    """Return how many leading columns tell the entries apart, at most four: more would fill the screen."""
    leading = takewhile(lambda column: ".".join(column.path) in spec.matched_by, columns)
    return max(1, min(4, len(list(leading))))


def _left_out(path: Path) -> Column:
    spec = FieldSpec(name=LEFT_OUT, type="text", help=LEFT_OUT_HELP, may_be_missing=False)
    return Column((*path, LEFT_OUT), LEFT_OUT, spec)


def _words(path: Path) -> str:
    return nouns().said(": ".join(plain_words(name) for name in path))


def is_many(spec: FieldSpec) -> bool:
    """Say whether a field holds a list of values."""
    return FIELD_TYPES[spec.type].many
