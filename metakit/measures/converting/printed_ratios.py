"""Ratios as papers print them, with an interval, a standard error or a p value, as ready effects.

The commonest table of all gives no counts. What it gives is taken to the log scale step by step, each step
logged; a table with counts is never read so.

References
----------
Cochrane Handbook, section 6.3.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.notes import Assumption
from metakit.errors import DataError, MetakitError, Problem
from metakit.forms.sheets.tables import Table
from metakit.measures.cells import raw_table
from metakit.measures.column_rules import LEVEL, POSITIVE, PROBABILITY, ColumnRule
from metakit.measures.converting.derived import Derived
from metakit.measures.converting.ratio_errors import log_error_from_interval, log_error_from_p
from metakit.measures.registry import MEASURES
from metakit.measures.table_checks import Reading, read_column, study_names

RATIOS = ("risk_ratio", "odds_ratio", "rate_ratio")
"""Measures whose printed ratios are taken; a hazard ratio has forms of its own for them."""


def _from_interval(row: Mapping[str, float]) -> Derived[float]:
    return log_error_from_interval(
        row["ratio"], row["interval_lower"], row["interval_upper"], level=row.get("interval_level", 0.95)
    )


def _from_p(row: Mapping[str, float]) -> Derived[float]:
    return log_error_from_p(row["ratio"], row["p_value"])


def _given(row: Mapping[str, float]) -> Derived[float]:
    return Derived(
        value=row["standard_error"],
        rule="standard error taken as that of the log ratio",
        inputs=f"ratio {row['ratio']:g}, SE {row['standard_error']:g}",
        reference="handbook",
    )


FORMS: Mapping[tuple[str, ...], Callable[[Mapping[str, float]], Derived[float]]] = {
    ("ratio", "interval_lower", "interval_upper"): _from_interval,
    ("ratio", "standard_error"): _given,
    ("ratio", "p_value"): _from_p,
}
"""The sets of columns that give a ratio with its error, best first."""
_RULES: Mapping[str, ColumnRule] = {"p_value": PROBABILITY, "interval_level": LEVEL}


def form_of(table: Table, measure: str) -> tuple[str, ...] | None:
    """Return the set of ratio columns of a table that has no counts for the measure, None where it has."""
    if measure not in RATIOS or set(MEASURES[measure].columns) <= set(table.columns):
        return None
    return next((names for names in FORMS if set(names) <= set(table.columns)), None)


def ratio_effects(
    table: Table, measure: str, form: tuple[str, ...], *, rows_differ: bool = False
) -> EffectTable:
    """Return the effects of studies that print a ratio.

    Parameters
    ----------
    table : Table
        With the columns of `form`; a column `interval_level` (0.95 without it) and a column `adjusted`
        (yes or no) are read too.
    measure : str
        One of RATIOS.
    form : tuple of str
        A key of FORMS.
    rows_differ : bool
        As for `effect_sizes`.

    Returns
    -------
    EffectTable
        Without raw columns: no model of counts is chosen for it.

    Raises
    ------
    DataError
        With every cell that cannot be right, and every interval that does not hold its ratio.
    """
    raw = raw_table(table.columns, file=table.file, lines=table.lines, letters=table.letters)
    reading = Reading()
    names = study_names(raw, reading, rows_differ=rows_differ)
    wanted = [*form, *(["interval_level"] if "interval_level" in table.columns else [])]
    columns = {name: read_column(raw, name, _RULES.get(name, POSITIVE), reading) for name in wanted}
    effect, variance = np.full(len(table), np.nan), np.full(len(table), np.nan)
    for row, line in enumerate(table.lines):
        values = {name: float(column[row]) for name, column in columns.items()}
        if not all(map(math.isfinite, values.values())):
            continue
        try:
            error = FORMS[form](values)
        except MetakitError as problem:
            reading.problems.append(Problem(file=table.file, line=line, field="ratio", what=str(problem)))
            continue
        effect[row], variance[row] = math.log(values["ratio"]), error.value**2
        reading.assumptions.append(
            Assumption(study=names[row], rule=error.rule, inputs=error.inputs, reference=error.reference)
        )
        if error.doubt:
            reading.notes.append(f"{names[row]}: {error.doubt}.")
    if reading.problems:
        raise DataError(sorted(reading.problems, key=lambda problem: problem.line or 0))
    used = {"study", *wanted}
    return EffectTable(
        measure=measure,
        scale=MEASURES[measure].scales[0].name,
        study=names,
        effect=effect,
        variance=variance,
        estimable=np.ones(len(table), dtype=bool),
        moderators={name: tuple(cells) for name, cells in table.columns.items() if name not in used},
        assumptions=tuple(reading.assumptions),
        notes=(*_adjusted(table, names), *reading.notes),
    )


def _adjusted(table: Table, names: tuple[str, ...]) -> list[str]:
    """Name the studies whose ratios somebody adjusted, and those whose are crude."""
    cells = [str(cell).strip().casefold() for cell in table.columns.get("adjusted", ())]
    adjusted = [name for name, cell in zip(names, cells, strict=False) if cell == "yes"]
    crude = [name for name, cell in zip(names, cells, strict=False) if cell == "no"]
    if adjusted and crude:
        return [
            f"Adjusted ratios: {', '.join(adjusted)}. Crude ratios: {', '.join(crude)}. "
            "They answer different questions; pool each alone as well."
        ]
    return [f"All ratios are adjusted ones: {', '.join(adjusted)}."] if adjusted else []
