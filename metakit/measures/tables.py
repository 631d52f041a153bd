"""From a table of raw columns to the effect table that is pooled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from metakit.core.effects import EffectTable
from metakit.core.notes import Assumption, SetAside
from metakit.errors import DataError, Problem, UnknownNameError, UsageError
from metakit.forms.sheets.tables import free_columns
from metakit.measures.cells import RawTable, raw_table
from metakit.measures.column_rules import CORRELATION
from metakit.measures.effect_log import correction_lines, notes_on, set_aside_lines
from metakit.measures.own_columns import renamed, without_missing
from metakit.measures.precision import unfit_variances
from metakit.measures.registry import MEASURES, Limits, Measure
from metakit.measures.roles import read_roles, turned_lines
from metakit.measures.table_checks import Reading, read_forms, read_plain, study_names

if TYPE_CHECKING:
    import pandas as pd

    from metakit.forms.sheets.tables import Table

Better = Literal["higher", "lower"]


def effect_sizes(
    frame: pd.DataFrame | Mapping[str, Sequence[object]],
    *,
    measure: str,
    columns: Mapping[str, str] | None = None,
    study: str | None = None,
    missing: Literal["raise", "set_aside"] = "raise",
    scale: str | None = None,
    zero_cells: str | None = None,
    effective_numbers: bool = False,
    align_to: Better | None = None,
    correlation: float | None = None,
    rows_differ: bool = False,
) -> EffectTable:
    """Return effects and sampling variances of studies from their raw numbers.

    Parameters
    ----------
    frame : DataFrame or mapping of str to sequence
        One row a study: `study`, and the measure's columns (`events_1`, `total_1`, `events_2`, `total_2` for
        two-arm counts). All other columns become moderators. A frame whose index holds names needs no column
        `study`.
    measure : str
        A name in MEASURES.
    columns : mapping of str to str, optional
        Where the frame has names of its own: from ours to the frame's, ``{"events_1": "ev t"}``.
    study : str, optional
        The frame's column of study names.
    missing : {"raise", "set_aside"}
        What to do with rows whose numbers are blank: a problem each, or set aside by name with the reason.
    scale : str, optional
        One of the measure's scales; the first by default.
    zero_cells : str, optional
        One of the measure's zero-cell policies; the first by default.
    effective_numbers : bool
        Allow counts that are not whole, after a design effect or the split of a shared arm.
    align_to : {"higher", "lower"}, optional
        For standardised mean differences with a column `better` ("higher" or "lower"): the sign is turned in
        studies whose instrument points the other way. When the column holds both and nothing is said,
        "higher": a positive difference then favours arm 1.
    correlation : float, optional
        For `mean_change` without a column `correlation`: the value for all studies, logged for each.
    rows_differ : bool
        Rows of one name, but for spelling, and rows that are the same in every number are different studies.
        Otherwise they are problems, unless a column `apart` tells them apart.

    Returns
    -------
    EffectTable
        Of k rows in the order given; studies without information are listed in `set_aside`, every
        correction in `assumptions`.

    Raises
    ------
    DataError
        With every problem of the table; `line` counts rows from 1.
    UnknownNameError, UsageError
        For an unknown measure, scale or policy, or an option that the measure does not have.

    Examples
    --------
    >>> table = {"study": ["A", "B"], "events": [2, 0], "total": [40, 25]}
    >>> effects = effect_sizes(table, measure="proportion")
    >>> effects.effect.round(3).tolist()
    [-2.944, -3.932]
    >>> print(effects.assumptions[0])
    B: 0.5 added to events and to non-events, one of which is 0 (events 0 -> 0.5, total 25 -> 26)
    """
    table = raw_table(renamed(frame, columns, study))
    aside: tuple[SetAside, ...] = ()
    if missing == "set_aside":
        table, aside = without_missing(table, MEASURES[measure])
    elif missing != "raise":
        raise UnknownNameError("way with missing numbers", missing, ("raise", "set_aside"))
    effects = _effects(
        table,
        MEASURES[measure],
        scale=scale,
        zero_cells=zero_cells,
        effective_numbers=effective_numbers,
        align_to=align_to,
        correlation=correlation,
        rows_differ=rows_differ,
    )
    return replace(effects, set_aside=(*effects.set_aside, *aside)) if aside else effects


def effects_of_table(
    table: Table,
    *,
    measure: str,
    scale: str | None = None,
    zero_cells: str | None = None,
    effective_numbers: bool = False,
    align_to: Better | None = None,
    correlation: float | None = None,
    rows_differ: bool = False,
) -> EffectTable:
    """Return effects of the studies of a table file; as `effect_sizes`, with places of that file in messages.

    Parameters
    ----------
    table : Table
        As `metakit.forms.sheets.tables.read_table` gives it.
    measure, scale, zero_cells, effective_numbers, align_to, correlation, rows_differ
        As for `effect_sizes`.

    Returns
    -------
    EffectTable

    Raises
    ------
    DataError
        With every problem of the table and its line in the file.
    UnknownNameError, UsageError
        As `effect_sizes`.
    """
    effects = _effects(
        raw_table(table.columns, file=table.file, lines=table.lines, letters=table.letters),
        MEASURES[measure],
        scale=scale,
        zero_cells=zero_cells,
        effective_numbers=effective_numbers,
        align_to=align_to,
        correlation=correlation,
        rows_differ=rows_differ,
    )
    # Cells of a file are text: a column of numbers becomes numbers, so that it can order or explain studies.
    typed = free_columns(table, [name for name in table.columns if name not in effects.moderators])
    return replace(effects, moderators={**effects.moderators, **{n: tuple(c) for n, c in typed.items()}})


def exact_intervals(effects: EffectTable, *, method: str | None = None, level: float = 0.95) -> Limits:
    """Return each study's exact interval in natural units, also of studies that are not estimable.

    Parameters
    ----------
    effects : EffectTable
        Of a one-arm count or rate.
    method : str, optional
        `clopper_pearson` (default) or `wilson` for proportions, `exact_poisson` for rates.
    level : float
        Coverage.

    Returns
    -------
    lower, upper : ndarray of float, shape (k,)
        Fractions for proportions, per thumb-year for rates.

    Raises
    ------
    UsageError
        When the measure has no exact interval, or none of this name.
    """
    known = MEASURES[effects.measure].exact_intervals
    if not known:
        raise UsageError(f"the measure {effects.measure} has no exact interval of a single study")
    chosen = method or next(iter(known))
    if chosen not in known:
        raise UsageError(f"unknown interval {chosen!r} of a {effects.measure}; valid: {', '.join(known)}")
    if not 0 < level < 1:
        raise UsageError(f"the level of an interval lies between 0 and 1, not {level:g}")
    return known[chosen](effects.data, level)


def _effects(
    table: RawTable,
    measure: Measure,
    *,
    scale: str | None,
    zero_cells: str | None,
    effective_numbers: bool,
    align_to: Better | None,
    correlation: float | None,
    rows_differ: bool,
) -> EffectTable:
    chosen, policy = measure.scale(scale), measure.zero_cell_policy(zero_cells)
    reading = Reading()
    names = study_names(table, reading, rows_differ=rows_differ)
    table = _with_correlation(table, measure, correlation, names, reading)
    if measure.forms:
        read_forms(table, measure, names, reading, effective_numbers=effective_numbers)
    else:
        read_plain(table, measure, reading, effective_numbers=effective_numbers)
    turned = read_roles(table, measure, reading, align_to)
    if reading.problems:
        raise DataError(sorted(reading.problems, key=lambda problem: problem.line or 0))
    if turned is not None:
        reading.data["direction"] = turned
    kernel = measure.kernel(reading.data, scale=chosen.name, zero_cells=policy)
    unfit = unfit_variances(kernel.variance, kernel.estimable)
    if unfit:
        raise DataError(
            [
                Problem(file=table.file, line=table.lines[row], what=what, found=names[row][:80])
                for row, what in unfit
            ]
        )
    if turned is not None:
        reading.assumptions += turned_lines(names, turned, kernel.effect)
    return EffectTable(
        measure=measure.name,
        scale=chosen.name,
        study=names,
        effect=kernel.effect,
        variance=kernel.variance,
        estimable=kernel.estimable,
        data=reading.data,
        moderators=_moderators(table, measure),
        zero_cells=policy,
        zero_cells_named=zero_cells is not None,
        set_aside=set_aside_lines(names, reading.data, measure, chosen, policy, kernel),
        assumptions=(
            *reading.assumptions,
            *correction_lines(names, reading.data, measure, policy, kernel),
        ),
        notes=(*reading.notes, *notes_on(names, reading.data, measure, chosen, kernel)),
    )


def _with_correlation(
    table: RawTable,
    measure: Measure,
    correlation: float | None,
    names: Sequence[str],
    reading: Reading,
) -> RawTable:
    """Fill in the stated correlation as a column, with a log line a study."""
    if correlation is None:
        return table
    if "correlation" not in measure.columns:
        raise UsageError(f"a {measure.label} has no correlation between two times")
    if "correlation" in table.columns:
        raise UsageError("the table has a column 'correlation'; state it there or as an option, not both")
    if not CORRELATION.accepts(correlation):
        raise UsageError(f"a correlation lies between -1 and 1, not {correlation:g}")
    reading.assumptions += [
        Assumption(
            study=name,
            rule=f"correlation between before and after assumed to be {correlation:g}",
            reference="handbook",
        )
        for name in names
    ]
    columns = {**table.columns, "correlation": [correlation] * len(table)}
    return replace(table, columns=columns)


def _moderators(table: RawTable, measure: Measure) -> dict[str, tuple[Any, ...]]:
    """Return the columns that no formula used, as given."""
    used = {"study", *measure.columns}
    for form in measure.forms:
        used |= {*form.columns, *form.optional}
    return {name: tuple(cells) for name, cells in table.columns.items() if name not in used}
