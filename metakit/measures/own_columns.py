"""A table with column names of its own, and rows whose numbers are missing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from metakit.core.notes import SetAside
from metakit.errors import DataError, Problem, UsageError, nearest_names
from metakit.measures.cells import RawTable, is_blank
from metakit.measures.registry import Measure


def with_study_names(frame: Any) -> Any:
    """Return the frame with its index as the column `study`, where that holds names.

    A mapping, or a frame whose rows are only counted, stays as it is.
    """
    if isinstance(frame, Mapping) or "study" in frame.columns or frame.index.dtype.kind in "iuf":
        return frame
    return frame.rename_axis("study").reset_index()


def renamed(frame: Any, columns: Mapping[str, str] | None, study: str | None) -> Any:
    """Return the frame with its own column names replaced by ours; the other columns stay.

    Parameters
    ----------
    frame : DataFrame or mapping of str to sequence
    columns : mapping of str to str
        From our name to the frame's: ``{"events_1": "ev t"}``.
    study : str, optional
        The frame's column of study names.

    Raises
    ------
    DataError
        With every column that is not there.
    UsageError
        When a column is named for two purposes.
    """
    wanted = {**({"study": study} if study is not None else {}), **(columns or {})}
    if not wanted:
        return with_study_names(frame)
    there = [str(name) for name in frame]
    problems = [
        Problem(
            file="table", field=theirs, what=f"there is no such column, which was named for {ours}",
            found="columns " + ", ".join(there), hint=nearest_names(theirs, there),
        )
        for ours, theirs in wanted.items()
        if theirs not in there
    ]  # fmt: skip
    if problems:
        raise DataError(problems)
    twice = [theirs for theirs in wanted.values() if list(wanted.values()).count(theirs) > 1]
    if twice:
        raise UsageError(f"the column {twice[0]!r} was named for two purposes")
    ours = {theirs: name for name, theirs in wanted.items()}
    clash = [name for name in wanted if name in there and name not in ours]
    if clash:
        raise UsageError(f"the table has a column {clash[0]!r} already, and another was named for it")
    if isinstance(frame, Mapping):
        return {ours.get(name, name): column for name, column in frame.items()}
    return with_study_names(frame.rename(columns=ours))


def without_missing(table: RawTable, measure: Measure) -> tuple[RawTable, tuple[SetAside, ...]]:
    """Return the table without the rows whose numbers are blank, and what was set aside, with the reason."""
    forms = [form.columns for form in measure.forms] or [measure.columns]
    present = [names for names in forms if all(name in table.columns for name in names)]
    if not present:
        return table, ()
    kept: list[int] = []
    aside: list[SetAside] = []
    studies = table.columns.get("study", ())
    for row in range(len(table)):
        lacking = [[name for name in names if is_blank(table.columns[name][row])] for names in present]
        if not all(lacking):
            kept.append(row)
            continue
        fewest = min(lacking, key=len)
        name = str(studies[row]) if row < len(studies) else f"row {table.lines[row]}"
        aside.append(SetAside(study=name, reason=f"{' and '.join(fewest)} missing"))
    if not aside:
        return table, ()
    columns = {name: [cells[row] for row in kept] for name, cells in table.columns.items()}
    return replace(table, columns=columns, lines=tuple(table.lines[row] for row in kept)), tuple(aside)
