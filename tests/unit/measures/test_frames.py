"""A table as a frame: all its columns in their order, numbers as numbers, names as text."""

from __future__ import annotations

from metakit.forms.sheets.tables import Table
from metakit.measures.frames import frame_of_table


def test_names_stay_text_and_numbers_become_numbers() -> None:
    table = Table(
        file="t.csv",
        columns={"year": ("2001", "2004"), "study": ("1", "2"), "design": ("trial", "cohort")},
        lines=(2, 3),
        letters={},
    )
    frame = frame_of_table(table)
    assert list(frame.columns) == ["year", "study", "design"]
    assert frame["study"].tolist() == ["1", "2"]
    assert frame["year"].tolist() == [2001, 2004]
    assert frame["design"].tolist() == ["trial", "cohort"]
    assert (frame.attrs["told"], frame.attrs["left_out"]) == ([], [])
    alone = frame_of_table(Table(file="t.csv", columns={"total": ("3",)}, lines=(2,), letters={}))
    assert list(alone.columns) == ["total"]
