"""A table file as a pandas frame, for scripts."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from metakit.forms.sheets.tables import Table, free_columns
from metakit.forms.sheets.tables import read_table as read_plain_table
from metakit.measures.converting.printed import table_of_file

if TYPE_CHECKING:
    import pandas as pd


def read_table(
    path: str | Path,
    *,
    measure: str | None = None,
    columns: Mapping[str, str] | None = None,
    sheet: str = "",
) -> pd.DataFrame:
    """Read a CSV file or a workbook as it was printed into a frame.

    Parameters
    ----------
    path : path
        With a header; titles above it, footnotes and totals below are recognised.
    measure : str, optional
        A name in MEASURES, so that its columns are found by their headings ("n/N", "Mean ± SD") and come out
        under our names. Without it every heading stays and cells must be plain.
    columns : mapping of str to str, optional
        Which heading holds which of our columns, where the reader cannot know.
    sheet : str
        The sheet of a workbook with several.

    Returns
    -------
    DataFrame
        Columns of numbers are numbers (an empty cell is NaN). ``frame.attrs["told"]`` lists every reading
        that was not literal, ``frame.attrs["left_out"]`` the studies without numbers, with the reason.

    Raises
    ------
    UnreadableError
        When there is no such file, it is damaged, or of another kind.
    DataError
        With every cell that contradicts itself or has two readings.
    UsageError
        When columns cannot be told; the message shows the first rows and what to name.
    """
    table = (
        read_plain_table(path)
        if measure is None
        else table_of_file(path, measure, columns=columns, sheet=sheet)
    )
    return frame_of_table(table)


def frame_of_table(table: Table) -> pd.DataFrame:
    """Return a table as a frame, columns of numbers as numbers."""
    import pandas as pd

    typed = {"study": list(table.columns["study"])} if "study" in table.columns else {}
    frame = pd.DataFrame(typed | dict(free_columns(table, typed)))
    frame = frame[list(table.columns)]
    frame.attrs["told"], frame.attrs["left_out"] = list(table.told), [list(pair) for pair in table.left_out]
    return frame
