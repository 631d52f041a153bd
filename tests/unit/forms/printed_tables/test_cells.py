"""Cells of a row: what each column takes from a printed cell, and what two columns must agree on."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import DataError
from metakit.forms.printed_tables.cells import uses_decimal_comma
from metakit.forms.printed_tables.understand import read_printed_table

TWO_ARMS = ("events_1", "total_1", "events_2", "total_2")
MEANS = ("mean_1", "sd_1", "total_1", "mean_2", "sd_2", "total_2")
RATIO = ("ratio", "interval_lower", "interval_upper")


def read(folder: Path, text: str, wanted: tuple[str, ...]):  # type: ignore[no-untyped-def]
    path = folder / "t.csv"
    path.write_text(text, encoding="utf-8")
    return read_printed_table(path, [wanted])


@pytest.mark.parametrize(
    ("cells", "ours", "comma"),
    [
        (["18,2", "3"], "mean_1", True),
        (["1,234", "2,345"], "mean_1", False),  # thousands fit
        (["0,234"], "mean_1", True),  # no thousand begins with 0
        (["18,2", "3.4"], "mean_1", False),
        (["18,2"], "events_1", False),
        (["18,2"], "total", False),
        ([18.2, None], "mean_1", False),
        ([], "mean_1", False),
    ],
)
def test_commas_of_a_column(cells: list[object], ours: str, comma: bool) -> None:
    assert uses_decimal_comma(cells, ours) is comma  # type: ignore[arg-type]


def test_a_count_of_all_is_held_against_the_total_in_its_own_column(tmp_path: Path) -> None:
    head = "Study,LRTI events,LRTI n,Control events,Control n\n"
    found = read(tmp_path, head + "A,4/29,29,6,30\nB,3,41,9/40,40\n", TWO_ARMS)
    assert (found.columns["events_1"], found.columns["events_2"]) == (("4", "3"), ("6", "9"))
    assert "Row 2: '4/29' is read as 4 for events_1." in found.told
    assert "Row 3: '9/40' is read as 9 for events_2." in found.told
    for wrong, line, words in (
        ("A,4/28,29,6,30\n", 2, "says 28 for total_1, which has 29 in its own column"),
        ("A,4,29,6/31,30\n", 2, "says 31 for total_2, which has 30 in its own column"),
    ):
        with pytest.raises(DataError, match=words) as error:
            read(tmp_path, head + wrong + "B,3,41,9,40\n", TWO_ARMS)
        assert [problem.line for problem in error.value.problems] == [line]


def test_means_with_their_deviation_or_another_spread(tmp_path: Path) -> None:
    head = "Study,LRTI n,LRTI mean (SD),Control n,Control mean (SD)\n"
    found = read(tmp_path, head + "A,29,18.2 (2.9),30,16.0 ± 3.1\nB,41,20.1 (SD 3.4),40,19.5 (2.7)\n", MEANS)
    assert found.columns["mean_1"] == ("18.2", "20.1") and found.columns["sd_1"] == ("2.9", "3.4")
    assert found.columns["mean_2"] == ("16.0", "19.5") and found.columns["sd_2"] == ("3.1", "2.7")
    other = read(tmp_path, head + "A,29,18.2 (SE 0.4),30,16.0 (3.1)\n", MEANS)
    assert other.columns["sd_1"] == ("18.2 (SE 0.4)",)  # a standard error is never taken for a deviation


def test_ratios_with_their_limits_in_one_column_or_two(tmp_path: Path) -> None:
    found = read(tmp_path, "Study,RR (95 % CI)\nA,0.52 (0.28 to 0.98)\n", RATIO)
    assert [found.columns[name] for name in RATIO] == [("0.52",), ("0.28",), ("0.98",)]
    apart = read(tmp_path, "Study,RR,95% CI\nA,0.52,0.28 to 0.98\n", RATIO)
    assert [apart.columns[name] for name in RATIO] == [("0.52",), ("0.28",), ("0.98",)]
    with pytest.raises(DataError, match="lies outside"):
        read(tmp_path, "Study,RR (95 % CI)\nA,0.2 (0.28 to 0.98)\n", RATIO)


def test_a_percentage_that_fits_no_count_or_several_is_asked_about(tmp_path: Path) -> None:
    head = "Study,Thumbs,Revisions (%)\n"
    for row, words in (
        ("A,1000,2 %\n", "11 counts of 1000 are 2 %; which count is meant"),
        ("A,29,13 %\n", "0 counts of 29 are 13 %"),
        ("A,,13.8 %\n", "a percentage without its total"),
    ):
        with pytest.raises(DataError, match=words):
            read(tmp_path, head + row + "B,41,7.3 %\n", ("events", "total"))
