"""Rows of a table that may be one study typed twice: they stop, until somebody says that they differ."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

from metakit.errors import Problem
from metakit.forms.sheets.look_alikes import in_latin
from metakit.forms.typed_numbers import Refused
from metakit.measures.cells import RawTable, is_blank, read_number

APART = "apart"
"""The column that tells rows of one study, or rows with the same numbers, apart (women, men)."""
_HINT = (
    "delete one, or say that they are different: in a column 'apart' what tells them apart, or --rows-differ "
    "(rows_differ=True in Python)"
)


_WIDTHS = {0xFF01 + n: 0x21 + n for n in range(94)}
_STROKES = str.maketrans({"\u00f8": "o", "\u0142": "l", "\u0111": "d", "\u0127": "h", "\u00e6": "ae",
                          "\u0153": "oe", "\u0131": "i", "\u00fe": "th", "\u00f0": "d"})  # fmt: skip
_POINTS = re.compile(r"(?<!\d)[.,;:'\u2019`]|[.,;:'\u2019`](?!\d)")


def folded(name: str) -> str:
    """Return a name without what people type differently: case, spaces, dashes, accents, points, widths.

    Cyrillic and Greek letters are the Latin ones that they look like.
    """
    latin = in_latin(name.translate(_WIDTHS))
    small = unicodedata.normalize("NFC", latin).casefold().translate(_STROKES)
    plain = unicodedata.normalize("NFD", _POINTS.sub("", small))
    return "".join(
        sign
        for sign in plain
        if not unicodedata.combining(sign)
        and not sign.isspace()
        and sign not in "-_\u2212"
        and unicodedata.category(sign) != "Pd"
    )


def twins(table: RawTable, names: Sequence[str]) -> tuple[list[Problem], list[str]]:
    """Find rows whose names are the same but for spelling, and rows that are the same in every number.

    Two equal numbers alone are met in real tables (two pumps of Gaver & O'Muircheartaigh 1987, many studies
    without an event, equal arms of which one has none): rows of two different numbers besides 0 are a note;
    from three on they are a problem.

    Parameters
    ----------
    table : RawTable
    names : sequence of str
        Of the studies, one a row; "" where there is none.
    """
    apart = [str(cell).strip() for cell in table.columns.get(APART, [""] * len(table))]
    problems, notes = [], []
    first: dict[tuple[str, str], int] = {}
    same: dict[tuple[tuple[tuple[str, float], ...], str], int] = {}
    for row, name in enumerate(names):
        if not name:
            continue
        before = first.setdefault((folded(name), apart[row]), row)
        if before != row:
            other = names[before]
            spelling = "" if other == name else f", spelt {other!r}"
            what = f"this study stands in row {table.lines[before]} already{spelling}"
            problems.append(_problem(table, row, "study", what, name))
            continue
        numbers = _numbers(table.columns, row)
        earlier = same.setdefault((numbers, apart[row]), row)
        if earlier == row or len(numbers) < 2:
            continue
        if len({value for _, value in numbers if value != 0}) <= 2:
            notes.append(
                f"{name} has the same few numbers as {names[earlier]}; make sure that it is another study."
            )
        else:
            what = f"every number is that of row {table.lines[earlier]} ({names[earlier]}); one study, twice?"
            problems.append(_problem(table, row, "", what, name))
    return problems, notes


def _problem(table: RawTable, row: int, field: str, what: str, found: str) -> Problem:
    return Problem(
        file=table.file, line=table.lines[row], field=field, what=what, found=found[:80], hint=_HINT
    )


def _numbers(columns: Mapping[str, Sequence[object]], row: int) -> tuple[tuple[str, float], ...]:
    found = []
    for name, cells in columns.items():
        if name in ("study", APART) or is_blank(cells[row]):
            continue
        try:
            found.append((name, read_number(cells[row])))
        except Refused:
            continue
    return tuple(found)
