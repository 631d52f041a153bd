"""Effects of a table as it was printed: its columns understood for the measure, then computed as ever."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from metakit.core.effects import EffectTable
from metakit.core.notes import SetAside
from metakit.forms.printed_tables.understand import read_printed_or_plain
from metakit.forms.sheets.tables import Table
from metakit.measures.converting.printed_ratios import FORMS, RATIOS, form_of, ratio_effects
from metakit.measures.registry import MEASURES, Measure
from metakit.measures.tables import effects_of_table


def columns_wanted(measure: Measure) -> tuple[tuple[str, ...], ...]:
    """Return the sets of columns that a measure can be computed from, best first: counts before ratios."""
    own = tuple(form.columns for form in measure.forms) or (measure.columns,)
    return (*own, *FORMS) if measure.name in RATIOS else own


def table_of_file(
    path: str | Path, measure: str, *, columns: Mapping[str, str] | None = None, sheet: str = ""
) -> Table:
    """Read a table for a measure, literally or as printed.

    Raises
    ------
    UsageError, DataError, UnreadableError
        As `read_printed_table` and `read_table`.
    """
    wanted = columns_wanted(MEASURES[measure])
    return read_printed_or_plain(path, wanted, columns=columns, sheet=sheet)


def effects_of_file(
    path: str | Path,
    *,
    measure: str,
    columns: Mapping[str, str] | None = None,
    sheet: str = "",
    **options: Any,
) -> EffectTable:
    """Return effects of the studies of a table file; readings that were not literal are notes.

    Parameters
    ----------
    path : str or Path
        A CSV file or an .xlsx workbook.
    measure : str
        A name in MEASURES.
    columns : mapping of str to str, optional
        Which heading holds which column, where the reader cannot know.
    sheet : str
        The sheet of a workbook with several.
    **options
        As for `effect_sizes`.
    """
    table = table_of_file(path, measure, columns=columns, sheet=sheet)
    form = form_of(table, measure)
    if form is not None:
        effects = ratio_effects(table, measure, form, rows_differ=bool(options.get("rows_differ")))
    else:
        effects = effects_of_table(table, measure=measure, **options)
    return replace(
        effects,
        notes=(*table.told, *effects.notes),
        set_aside=(*effects.set_aside, *(SetAside(study=s, reason=r) for s, r in table.left_out)),
    )
