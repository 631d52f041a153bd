"""Network tables: long rows of arms, or ready contrasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from metakit.errors import DataError, Problem, UnknownNameError, UnreadableError, nearest_names
from metakit.forms.printed_tables.understand import read_printed_or_plain
from metakit.forms.sheets.sheet_rows import Cell
from metakit.forms.sheets.tables import Table, free_columns, number_of, numeric_columns, text_of
from metakit.measures.cells import is_blank, raw_table
from metakit.measures.own_columns import renamed
from metakit.measures.twins import folded
from metakit.networks.analysis import analyse_network
from metakit.networks.answer import NetworkAnalysis
from metakit.networks.arms import ARM_MEASURES, NetworkArms, arms_from_counts_or_means
from metakit.networks.characteristics import Value
from metakit.networks.components import JOIN
from metakit.networks.contrasts import arms_from_contrasts

if TYPE_CHECKING:
    import pandas as pd

CONTRAST_COLUMNS = ("technique_1", "technique_2", "effect", "standard_error")


def network_table(
    path: str | Path, measure: str, *, columns: Mapping[str, str] | None = None, sheet: str = ""
) -> Table:
    """Read a table of arms or contrasts, literally or as printed.

    Raises
    ------
    UsageError, DataError, UnreadableError
        As `read_printed_table` and `read_table`.
    """
    if measure not in ARM_MEASURES:
        raise UnknownNameError("network measure", measure, ARM_MEASURES)
    wanted = (("technique", *ARM_MEASURES[measure].columns), CONTRAST_COLUMNS)
    return read_printed_or_plain(path, wanted, columns=columns, sheet=sheet)


def arms_of_table(table: Table, measure: str, *, rows_differ: bool = False) -> NetworkArms:
    """Return the network arms of a table of arms or of contrasts.

    Two arms of a study with one technique are combined where a column `arm` tells them apart; without one
    the second row is more likely a slip, and is refused. So are two studies whose names differ in spelling
    alone, or that are the same in every number, unless `rows_differ` says that they are different.

    Raises
    ------
    UnreadableError
        If columns are missing.
    DataError
        With every cell that cannot be used, and every arm that stands twice.
    """
    if measure not in ARM_MEASURES:
        raise UnknownNameError("network measure", measure, ARM_MEASURES)
    contrasts = "technique_1" in table.columns
    numbers = CONTRAST_COLUMNS[2:] if contrasts else ARM_MEASURES[measure].columns
    words = ("study", *CONTRAST_COLUMNS[:2]) if contrasts else ("study", "technique")
    missing = [name for name in (*words, *numbers) if name not in table.columns]
    if missing:
        raise UnreadableError(
            [
                Problem(
                    file=table.file,
                    line=1,
                    field=name,
                    what="this column is missing",
                    found=", ".join(table.columns),
                    hint=nearest_names(name, table.columns),
                )
                for name in missing
            ]
        )
    text = {name: [text_of(cell).strip() for cell in table.columns[name]] for name in words}
    empty = [
        Problem(
            file=table.file, line=table.lines[row], field=name, what="this cell is empty", allowed="a name"
        )
        for name, cells in text.items()
        for row, cell in enumerate(cells)
        if not cell
    ]
    if empty:
        raise UnreadableError(empty)
    _ask_about_spellings(table, {name: text[name] for name in words[1:]})
    data = numeric_columns(table, numbers)
    if not rows_differ:
        _refuse_twins(table, text["study"], words[1:], numbers)
    if contrasts:
        return arms_from_contrasts(
            measure, text["study"], text["technique_1"], text["technique_2"],
            data["effect"], data["standard_error"], file=table.file,
        )  # fmt: skip
    _refuse_doubles(table, text["study"], text["technique"])
    return arms_from_counts_or_means(measure, text["study"], text["technique"], data, file=table.file)


def _ask_about_spellings(table: Table, cells: Mapping[str, list[str]]) -> None:
    """Name every technique that may be another one spelt otherwise: capitals, spaces, order of parts."""
    first: dict[str, tuple[str, int]] = {}
    asked: dict[str, Problem] = {}
    for name, column in cells.items():
        for technique, line in zip(column, table.lines, strict=True):
            key = JOIN.join(sorted(folded(part) for part in technique.split(JOIN)))
            spelt, before = first.setdefault(key, (technique, line))
            if spelt != technique and technique not in asked:
                asked[technique] = Problem(
                    file=table.file,
                    line=line,
                    field=name,
                    what=f"is this technique the one that line {before} spells {spelt!r}?",
                    found=technique[:80],
                    hint="spell one technique alike everywhere; two need names that differ in more than "
                    "capitals, spaces, dashes or the order of parts",
                )
    if asked:
        raise DataError(list(asked.values()))


def _refuse_doubles(table: Table, studies: list[str], techniques: list[str]) -> None:
    """Name every row that repeats the arm of an earlier one."""
    arms = [text_of(cell).strip() for cell in table.columns.get("arm", [""] * len(studies))]
    first: dict[tuple[str, str, str], int] = {}
    doubles = []
    for line, *key in zip(table.lines, studies, techniques, arms, strict=True):
        study, technique, arm = key
        before = first.setdefault((study, technique, arm), line)
        if before != line:
            doubles.append(
                Problem(
                    file=table.file,
                    line=line,
                    field="technique",
                    what=f"study {study} has an arm with {technique} on line {before} already",
                    found=technique,
                    allowed="one row an arm",
                    hint="add the two up in one row, or tell two arms apart in a column 'arm'",
                )
            )
    if doubles:
        raise DataError(doubles)


def _refuse_twins(table: Table, studies: list[str], words: tuple[str, ...], numbers: tuple[str, ...]) -> None:
    """Name every study that may be an earlier one, typed twice."""
    rows: dict[str, list[int]] = {}
    for row, study in enumerate(studies):
        rows.setdefault(study, []).append(row)
    spelt: dict[str, str] = {}
    same: dict[object, str] = {}
    problems = []
    hint = "delete one, or say with --rows-differ that they are different studies"
    for study, mine in rows.items():
        other = spelt.setdefault(folded(study), study)
        content = tuple(
            sorted(
                (*(folded(text_of(table.columns[name][row])) for name in words),
                 *(f"{number_of(table.columns[name][row]):.17g}" for name in numbers))
                for row in mine
            )
        )  # fmt: skip
        twin = same.setdefault(content, study)
        if other == study and twin == study:
            continue
        line = table.lines[rows[other if other != study else twin][0]]
        what = (
            f"this study stands on line {line} already, spelt {other!r}"
            if other != study
            else f"every number is that of {twin} (line {line}); one study, twice?"
        )
        problems.append(
            Problem(
                file=table.file,
                line=table.lines[mine[0]],
                field="study",
                what=what,
                found=study[:80],
                hint=hint,
            )
        )
    if problems:
        raise DataError(problems)


def better_words(better: str | None) -> bool | None:
    """Turn 'lower' or 'higher' into whether lower is better."""
    if better is None:
        return None
    if better not in ("lower", "higher"):
        raise UnknownNameError("direction", better, ("lower", "higher"))
    return better == "lower"


def study_values(table: Table, column: str, arms: NetworkArms) -> dict[str, Value]:
    """Return one value a study of a column that stands beside every arm: a number, words, or None.

    Numbers that differ between the arms of a study are averaged by their thumbs (equally where those are not
    known); words that differ are joined.

    Raises
    ------
    UnreadableError
        If the column is missing.
    """
    if column not in table.columns:
        raise UnreadableError(
            [
                Problem(
                    file=table.file,
                    line=1,
                    field=column,
                    what="this column is missing",
                    found=", ".join(table.columns),
                    hint=nearest_names(column, table.columns),
                )
            ]
        )
    cells = free_columns(table, [name for name in table.columns if name != column])[column]
    size = table.columns.get("total")
    given: dict[str, list[tuple[float | str, float]]] = {}
    for row, study in enumerate(text_of(cell).strip() for cell in table.columns["study"]):
        cell = cells[row]
        if cell is not None and cell != "":
            given.setdefault(study, []).append((cell, number_of(size[row]) if size else 1.0))
    return {study: _together(given.get(study, [])) for study in arms.studies}


def moderator_values(table: Table, column: str, arms: NetworkArms) -> dict[str, float | None]:
    """Return the values of a moderator, which must be numbers.

    Raises
    ------
    UnreadableError
        If the column is missing.
    DataError
        If it holds words.
    """
    values = study_values(table, column, arms)
    words = [value for value in values.values() if isinstance(value, str)]
    if words:
        raise DataError(
            [
                Problem(
                    file=table.file, field=column, what="a moderator of a network is a number",
                    found=words[0], allowed="numbers, or an empty cell where it is not known",
                )
            ]
        )  # fmt: skip
    return {study: None if value is None else float(value) for study, value in values.items()}


def _together(given: list[tuple[float | str, float]]) -> Value:
    if not given:
        return None
    numbers = [(value, size) for value, size in given if not isinstance(value, str)]
    if len(numbers) == len(given):
        whole = sum(size for _, size in numbers)
        return sum(value * size for value, size in numbers) / whole
    return " and ".join(dict.fromkeys(str(value) for value, _ in given))


def network(
    frame: pd.DataFrame | Mapping[str, Sequence[object]],
    *,
    measure: str,
    columns: Mapping[str, str] | None = None,
    **options: Any,
) -> NetworkAnalysis:
    """Compare all techniques of a table with each other.

    Parameters
    ----------
    frame : DataFrame or mapping of str to sequence
        One row a study's arm (`study`, `technique`, and `events`, `total`; or `mean`, `sd`, `total`; or
        `events`, `time`), or one row a contrast (`study`, `technique_1`, `technique_2`, `effect`,
        `standard_error`). Parts of an operation are joined by `+`.
    measure : str
        odds_ratio, risk_ratio, risk_difference, rate_ratio or mean_difference.
    columns : mapping of str to str, optional
        From our names to the frame's.
    **options
        As for `analyse_network`: `reference`, `components`, `inference`, `model`, `lower_is_better`, ...

    Returns
    -------
    NetworkAnalysis

    Raises
    ------
    DataError, UnreadableError
        With every cell that cannot be used and every missing column.
    NotEstimableError
        Where the table holds no network.

    Examples
    --------
    >>> rows = {"study": ["A", "A", "B", "B"], "technique": ["one", "two", "one", "two"],
    ...         "events": [4, 6, 3, 9], "total": [29, 30, 41, 40]}
    >>> network(rows, measure="risk_ratio", reference="two").parts[0].reference
    'two'
    """
    given = raw_table(renamed(frame, columns, None))
    table = Table(
        file=given.file,
        columns={name: tuple(_cell(cell) for cell in cells) for name, cells in given.columns.items()},
        lines=tuple(given.lines),
        letters={},
    )
    return analyse_network(arms_of_table(table, measure), **options)


def _cell(cell: Any) -> Cell:
    """Return a cell of a frame as a table file would hold it."""
    if is_blank(cell):
        return ""
    value = cell.item() if hasattr(cell, "item") else cell
    return value if isinstance(value, (str, bool, int, float)) else str(value)
