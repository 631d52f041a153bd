"""All that can be wrong with a table of raw columns, found in one pass."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.notes import Assumption
from metakit.errors import MetakitError, Problem, nearest_names
from metakit.forms.typed_numbers import Refused
from metakit.measures.cells import RawTable, is_blank, read_checked
from metakit.measures.column_rules import ColumnRule, rule_of
from metakit.measures.registry import InputForm, Measure
from metakit.measures.twins import twins

ROLE_COLUMNS = {"better": ("higher", "lower"), "value_kind": ("final", "change")}
"""Columns of words that tables of means may carry, and the words they may hold."""


@dataclass(slots=True, kw_only=True, eq=False)
class Reading:
    """What was read so far: problems found, log lines, doubts, and the kernel's columns."""

    problems: list[Problem] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    data: dict[str, FloatArray] = field(default_factory=dict)


def study_names(table: RawTable, reading: Reading, *, rows_differ: bool = False) -> tuple[str, ...]:
    """Return the studies' names; empty ones, and rows that may be one study twice, are problems.

    With `rows_differ` such rows are taken as different studies, and noted.
    """
    cells = table.columns.get("study")
    if cells is None:
        reading.problems.append(_missing("study", table))
        return tuple(f"row {line}" for line in table.lines)
    names = tuple("" if is_blank(cell) else str(cell) for cell in cells)
    for line, name in zip(table.lines, names, strict=True):
        if not name:
            reading.problems.append(
                Problem(file=table.file, line=line, field="study", what="the study has no name")
            )
    if not rows_differ:
        problems, notes = twins(table, names)
        reading.problems += problems
        reading.notes += notes
    rows: dict[str, list[int]] = defaultdict(list)
    for line, name in zip(table.lines, names, strict=True):
        rows[name].append(line)
    repeated = [
        f"{name} (rows {', '.join(map(str, lines))})"
        for name, lines in rows.items()
        if name and len(lines) > 1
    ]
    if repeated:
        reading.notes.append(
            f"Several rows have the same study name: {'; '.join(repeated)}. They count as separate "
            "studies; if they "
            "share patients they must not."
        )
    return names


def read_plain(table: RawTable, measure: Measure, reading: Reading, *, effective_numbers: bool) -> None:
    """Read the columns of a measure that is always given in the same form."""
    missing = [name for name in measure.columns if name not in table.columns]
    reading.problems += [_missing(name, table) for name in missing]
    for name in measure.columns:
        if name not in missing:
            reading.data[name] = _column(table, name, measure, reading, effective_numbers)
    for ending in ("", "_1", "_2"):
        _check_events(table, reading, f"events{ending}", f"total{ending}")


def read_forms(
    table: RawTable,
    measure: Measure,
    names: Sequence[str],
    reading: Reading,
    *,
    effective_numbers: bool,
) -> None:
    """Read a measure that each row may give in another form; a row uses the first form that it fills."""
    present = [form for form in measure.forms if all(name in table.columns for name in form.columns)]
    if not present:
        reading.problems.append(_missing_form(table, measure))
        return
    read = {name: np.full(len(table), np.nan) for name in measure.columns}
    for row, line in enumerate(table.lines):
        form = next((form for form in present if _filled(table, form, row)), None)
        if form is None:
            reading.problems.append(
                Problem(
                    file=table.file,
                    line=line,
                    what="the row gives no complete set of numbers",
                    allowed=_sets(present),
                )
            )
            continue
        values = _row_values(table, form, measure, row, reading, effective_numbers)
        if values is None:
            continue
        try:
            converted = form.convert(values)
        except MetakitError as error:
            reading.problems.append(Problem(file=table.file, line=line, what=str(error)))
            continue
        for name, value in converted.columns.items():
            read[name][row] = value
        if converted.rule:
            reading.assumptions.append(
                Assumption(
                    study=names[row],
                    rule=converted.rule,
                    inputs=converted.inputs,
                    reference=converted.reference,
                )
            )
        if converted.doubt:
            reading.notes.append(f"{names[row]}: {converted.doubt}.")
    reading.data.update(read)


def read_words(table: RawTable, name: str, reading: Reading) -> tuple[str, ...] | None:
    """Return a column of words from ROLE_COLUMNS, None where the table has none."""
    cells = table.columns.get(name)
    if cells is None:
        return None
    allowed = ROLE_COLUMNS[name]
    words = []
    for line, cell in zip(table.lines, cells, strict=True):
        word = cell.strip() if isinstance(cell, str) else cell
        if word not in allowed:
            reading.problems.append(
                Problem(
                    file=table.file,
                    line=line,
                    field=name,
                    what="not one of the allowed words",
                    found="" if is_blank(cell) else repr(cell),
                    allowed=" or ".join(allowed),
                )
            )
        words.append(str(word))
    return tuple(words)


def _column(
    table: RawTable, name: str, measure: Measure, reading: Reading, effective_numbers: bool
) -> FloatArray:
    rule = measure.rules.get(name, rule_of(name))
    return read_column(table, name, rule, reading, effective_numbers=effective_numbers)


def read_column(
    table: RawTable, name: str, rule: ColumnRule, reading: Reading, *, effective_numbers: bool = False
) -> FloatArray:
    """Return a column as numbers; NaN where a cell is refused, which is then among the problems."""
    values = np.full(len(table), np.nan)
    for row, cell in enumerate(table.columns[name]):
        value = _cell(table, name, row, cell, rule, reading, effective_numbers)
        if value is not None:
            values[row] = value
    return values


def _cell(
    table: RawTable,
    name: str,
    row: int,
    cell: object,
    rule: ColumnRule,
    reading: Reading,
    effective_numbers: bool,
) -> float | None:
    try:
        return read_checked(cell, rule, effective_numbers=effective_numbers)
    except Refused as refused:
        reading.problems.append(
            Problem(
                file=table.file,
                line=table.lines[row],
                field=table.field_at(name, row),
                what=refused.what,
                found="" if is_blank(cell) else _as_typed(cell),
                allowed=refused.allowed,
                hint=refused.hint,
            )
        )
        return None


def _as_typed(cell: object) -> str:
    return repr(cell) if isinstance(cell, str) else str(cell)


def _row_values(
    table: RawTable,
    form: InputForm,
    measure: Measure,
    row: int,
    reading: Reading,
    effective_numbers: bool,
) -> Mapping[str, float] | None:
    names = [*form.columns, *(name for name in form.optional if name in table.columns)]
    values = {}
    for name in names:
        cell = table.columns[name][row]
        if name in form.optional and is_blank(cell):
            continue
        value = _cell(
            table, name, row, cell, measure.rules.get(name, rule_of(name)), reading, effective_numbers
        )
        if value is not None:
            values[name] = value
    return values if all(name in values for name in form.columns) else None


def _filled(table: RawTable, form: InputForm, row: int) -> bool:
    return not any(is_blank(table.columns[name][row]) for name in form.columns)


def _check_events(table: RawTable, reading: Reading, events: str, total: str) -> None:
    if events not in reading.data or total not in reading.data:
        return
    with np.errstate(invalid="ignore"):
        over = reading.data[events] > reading.data[total]
    for row in np.flatnonzero(over).tolist():
        reading.problems.append(
            Problem(
                file=table.file,
                line=table.lines[row],
                field=table.field_at(events, row),
                what=f"more events than {total}",
                found=f"{reading.data[events][row]:g} of {reading.data[total][row]:g}",
                allowed=f"at most {total}",
            )
        )


def _missing(name: str, table: RawTable) -> Problem:
    return Problem(
        file=table.file,
        field=name,
        what="the column is missing",
        found="columns " + ", ".join(table.columns) if table.columns else "no column",
        hint=nearest_names(name, table.columns),
    )


def _missing_form(table: RawTable, measure: Measure) -> Problem:
    nearest = max(measure.forms, key=lambda form: sum(name in table.columns for name in form.columns))
    lacking = [name for name in nearest.columns if name not in table.columns]
    return Problem(
        file=table.file,
        what=f"the table has no complete set of columns for the measure {measure.name}",
        found="columns " + ", ".join(table.columns),
        allowed=_sets(measure.forms),
        hint="; ".join(f"{name}: {nearest_names(name, table.columns)}" for name in lacking),
    )


def _sets(forms: Sequence[InputForm]) -> str:
    return "; or ".join(", ".join(form.columns) for form in forms)
