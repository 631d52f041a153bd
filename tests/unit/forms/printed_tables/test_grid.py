"""The cells of a file before anything is understood: which separator, which kind of file, which encoding."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from metakit.errors import UnreadableError
from metakit.forms.printed_tables.grid import grid_of_csv, read_grid


@pytest.mark.parametrize(
    ("text", "cells"),
    [
        ("Table 2; invented\nStudy,n,N\nA,4,29\nB,3,41\n", ["Study", "n", "N"]),
        ("Study;n;N\nA;4,5;29\nB;3,5;41\n", ["Study", "n", "N"]),
        ("Study\tn\tN\nA\t4,5\t2;9\n", ["Study", "n", "N"]),
        ('"Study, a",n\n"A, b",4\n', ["Study, a", "n"]),
    ],
)
def test_the_separator_cuts_most_lines_alike(text: str, cells: list[str]) -> None:
    found = grid_of_csv(text.encode(), "t.csv")
    assert cells in [list(row) for _, row in found.rows] and found.told == ()


def test_a_text_that_nothing_cuts_is_refused() -> None:
    with pytest.raises(UnreadableError, match="one column only") as error:
        grid_of_csv(b"\nStudy\nA\n", "t.csv")
    assert error.value.problems[0].found == "Study"


def test_a_file_is_what_its_first_bytes_say(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Study", "n"])
    book.active.append(["A", 4])
    book.create_sheet("Other").append(["Study", "m"])
    book.save(tmp_path / "t.xlsx")
    disguised = tmp_path / "t.csv"
    disguised.write_bytes((tmp_path / "t.xlsx").read_bytes())
    found = read_grid(disguised, "t.csv", "Sheet")
    assert found.rows == ((1, ("Study", "n")), (2, ("A", 4))) and found.letters[:2] == ("A", "B")
    (tmp_path / "text.xlsx").write_text("Study,n\nA,4\n", encoding="utf-8")
    with pytest.raises(UnreadableError):
        read_grid(tmp_path / "text.xlsx", "text.xlsx")
    (tmp_path / "old.xls").write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 and more")
    with pytest.raises(UnreadableError, match=r"an old \.xls workbook"):
        read_grid(tmp_path / "old.xls", "old.xls")
    (tmp_path / "plain.csv").write_text("Study,n\nA,4\n", encoding="utf-8")
    assert len(read_grid(tmp_path / "plain.csv", "plain.csv").rows) == 2
    with pytest.raises(UnreadableError, match="a CSV file has no sheets"):
        read_grid(tmp_path / "plain.csv", "plain.csv", "Sheet")
    for missing, words in ((tmp_path / "no.csv", "no such file"), (tmp_path, "a folder, not a table")):
        with pytest.raises(UnreadableError, match=words):
            read_grid(missing, "t")


def test_windows_text_is_read_with_a_word_and_what_is_no_text_is_refused() -> None:
    found = grid_of_csv("Étude,n\nA,4\n".encode("cp1252"), "t.csv")
    assert found.rows[0] == (1, ("Étude", "n")) and "cp1252" in found.told[0]
    with pytest.raises(UnreadableError, match="not UTF-8"):
        grid_of_csv(b"\x81tude,n\nA,4\n", "t.csv")  # no sign of Windows text either
    with pytest.raises(UnreadableError):
        grid_of_csv(b"", "t.csv")
