"""A table as a frame: all its columns in their order, numbers as numbers, names as text."""

from __future__ import annotations

from pathlib import Path

from metakit.forms.sheets.tables import Table
from metakit.measures.frames import frame_of_table, read_table


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


def test_headings_are_understood_only_where_a_measure_is_named(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Study,LRTI n/N,Control n/N\nAlderwick,4/29,6/30\nBramhope,3/41,9/40\n", encoding="utf-8")
    as_printed = read_table(path, measure="risk_ratio")
    assert list(as_printed.columns) == ["study", "events_1", "total_1", "events_2", "total_2"]
    assert as_printed["total_2"].tolist() == [30, 40] and as_printed.attrs["told"]
    as_it_stands = read_table(path)
    assert list(as_it_stands.columns) == ["Study", "LRTI n/N", "Control n/N"]
    assert as_it_stands["LRTI n/N"].tolist() == ["4/29", "3/41"]
