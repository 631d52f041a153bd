"""One study typed twice is named by both rows in every command that reads a table."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

HEAD = "study,events_1,total_1,events_2,total_2\n"


def commands(table: Path, out: Path) -> list[list[str]]:
    options = ["--measure", "risk_ratio"]
    return [
        ["pool", str(table), *options],
        ["explore", str(table), *options],
        ["draw", str(table), *options, "--to", str(out)],
    ]


@pytest.mark.parametrize("twin", ["a-1,4,40,6,41", "B,3,40,5,41", "\u0410 1,4,40,6,41"])
def test_every_command_names_both_rows(tmp_path: Path, metakit_command, twin: str) -> None:
    table, out = tmp_path / "t.csv", tmp_path / "f.svg"
    table.write_text(HEAD + f"A 1,3,40,5,41\nC,4,44,6,45\n{twin}\n", encoding="utf-8")
    for command in commands(table, out):
        said = metakit_command(*command)
        assert said.status == 1, command
        assert f"{table}:4: error" in said.err and "row 2" in said.err
        assert not out.exists()
    said = metakit_command(*commands(table, out)[0], "--rows-differ", "--json")
    assert said.status == 0 and json.loads(said.out)["k"] == 3


@pytest.mark.parametrize("twin", ["a-1", "B", "\u0391 1"])
def test_a_network_names_both_studies(tmp_path: Path, metakit_command, twin: str) -> None:
    table = tmp_path / "n.csv"
    arms = {"A 1": (3, 5), "C": (4, 6), twin: (3, 5) if twin == "B" else (2, 7)}
    rows = "".join(f"{s},x,{a},40\n{s},y,{b},41\n" for s, (a, b) in arms.items())
    table.write_text("study,technique,events,total\n" + rows, encoding="utf-8")
    said = metakit_command("network", table, "--measure", "odds_ratio")
    assert said.status == 1 and f"{table}:6: error" in said.err and "line 2" in said.err
    assert metakit_command("network", table, "--measure", "odds_ratio", "--rows-differ").status == 0


def test_what_a_mark_was_read_as_is_told_in_every_command(tmp_path: Path, metakit_command) -> None:
    from openpyxl import Workbook
    from openpyxl.cell.rich_text import CellRichText, TextBlock
    from openpyxl.cell.text import InlineFont

    book = Workbook()
    rows = [("A", 3, 40, 5, 41), ("B", 2, 30, 4, 31), ("C", 6, 50, 9, 49)]
    for row in (HEAD.strip().split(","), *rows):
        book.active.append(row)
    book.active["B2"] = CellRichText("3", TextBlock(InlineFont(vertAlign="superscript"), "2"))
    table = tmp_path / "t.xlsx"
    book.save(table)
    for command in (*commands(table, tmp_path / "f.svg"), ["explore", str(table), "--measure", "risk_ratio"]):
        more = ["--leave-one-out"] if command[0] == "explore" else []
        said = metakit_command(*command, *more)
        assert said.status == 0 and "the mark ² is left out of 3²" in said.out + said.err, command


def test_a_figure_without_a_row_and_an_answer_without_a_value_end_in_a_sentence(
    tmp_path: Path, metakit_command
) -> None:
    table, out = tmp_path / "t.csv", tmp_path / "f.svg"
    table.write_text("study,effect,standard_error\nA,0.1,1\nB,0.2,0.3\nC,0.3,0.2\n")
    ready = [str(table), "--measure", "generic", "--inference", "hartung_knapp"]
    said = metakit_command("draw", *ready, "--figure", "leave_one_out", "--to", out)
    assert said.status == 3 and "no row of this figure has an answer" in said.err
    table.write_text("study,effect,standard_error\nA,0.1,1e-12\nB,0.2,1\nC,0.1,1\n")
    said = metakit_command("draw", *ready, "--figure", "influence", "--to", out)
    assert said.status == 3 and "standard errors lie too far apart" in said.err and not out.exists()


PETO = HEAD + "A,999999999,1000000000,5,10\nB,1,2,1,1000000000\nC,0,1,0,1\n"
FAR = "study,log_hazard_ratio,standard_error\nA,700,1\nB,-700,300\nC,0.5,0.2\n"


@pytest.mark.parametrize(("content", "measure"), [(PETO, "peto_odds_ratio"), (FAR, "hazard_ratio")])
def test_a_ratio_beyond_numbers_ends_in_a_sentence_in_every_command_and_figure(
    tmp_path: Path, metakit_command, content: str, measure: str
) -> None:
    table, out = tmp_path / "t.csv", tmp_path / "f.svg"
    table.write_text(content)
    ready = [str(table), "--measure", measure]
    commands = [["draw", *ready, "--to", out, "--figure", name] for name in ("forest", "funnel", "influence")]
    if measure == "peto_odds_ratio":
        more = (["--leave-one-out"], ["--influence"], ["--all-subsets"])
        commands += [["pool", *ready], *(["explore", *ready, *option] for option in more)]
    for command in commands:
        said = metakit_command(*command)
        assert said.status == 3 and "the effect cannot be" in said.err, command
        assert "A (" in said.err and not out.exists()


def test_a_funnel_with_limits_beyond_numbers_is_drawn(tmp_path: Path, metakit_command) -> None:
    table, out = tmp_path / "t.csv", tmp_path / "f.svg"
    table.write_text(HEAD + "A,500,1000000000,0,1\nB,400,1000000000,0,1\nC,1,10,2,10\n")
    said = metakit_command("draw", table, "--measure", "peto_odds_ratio", "--figure", "funnel", "--to", out)
    assert said.status == 0 and out.exists()


def test_nothing_is_read_for_an_answer_that_cannot_be_saved(tmp_path: Path, metakit_command) -> None:
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "file" / "answer.csv", tmp_path / "answer.odt"):
        said = metakit_command("pool", tmp_path / "no.csv", "--measure", "risk_ratio", "--save", place)
        assert said.status == 2 and str(place) in said.err and "no such file" not in said.err


HIDDEN = "row 3 and column F are hidden or filtered out, and read all the same."


def _workbook(path: Path, rows: list[list[object]]) -> Path:
    from openpyxl import Workbook

    book = Workbook()
    for row in rows:
        book.active.append(row)
    book.active.row_dimensions[3].hidden = True
    book.active.column_dimensions["F"].hidden = True
    book.active.column_dimensions["Z"].hidden = True
    book.save(path)
    return path


@pytest.mark.lengthy
def test_hidden_rows_and_columns_are_told_once_in_every_command(tmp_path: Path, metakit_command) -> None:
    counts = [("A", 3, 40, 5, 41, 2001), ("B", 2, 30, 4, 31, 2002), ("C", 6, 50, 9, 49, 2003)]
    table = _workbook(tmp_path / "t.xlsx", [[*HEAD.strip().split(","), "year"], *map(list, counts)])
    arms = [
        [s, t, e, n, "x", 2001]
        for s, *rest in counts
        for t, (e, n) in zip("pq", (rest[:2], rest[2:4]), strict=True)
    ]
    network = _workbook(tmp_path / "n.xlsx", [["study", "technique", "events", "total", "by", "year"], *arms])
    returns = [
        [s, c, n, 40, "no", "x"] for s in "AB" for c, n in (("infection", 3), ("implant_loosening", 2))
    ]
    causes = _workbook(
        tmp_path / "c.xlsx", [["study", "cause", "thumbs", "total", "overlap", "by"], *returns]
    )
    risk = ["--measure", "risk_ratio"]
    for command in (
        ["pool", table, *risk],
        ["explore", table, *risk, "--leave-one-out"],
        ["network", network, "--measure", "odds_ratio"],
        ["causes", causes],
    ):
        said = metakit_command(*command)
        assert said.status == 0 and (said.out + said.err).count(HIDDEN) == 1, command
        answer = json.loads(metakit_command(*command, "--json").out)
        notes = answer["overall"]["notes"] if command[0] == "causes" else answer["notes"]
        assert sum(HIDDEN in note for note in notes) == 1, command
    said = metakit_command("draw", table, *risk, "--to", tmp_path / "f.svg")
    assert said.status == 0 and said.err.count(HIDDEN) == 1
