"""Answers saved to paste from, and said so that nothing is assumed in silence. All tables are invented."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from docx import Document
from openpyxl import load_workbook

import metakit
from metakit.plots.forests.forest_content import forest_content
from metakit.plots.forests.wording import word_everything

TABLE = """study,events_1,total_1,events_2,total_2
=Alderwick,4,29,6,30
Bramhope,3,41,9,40
Cawdale,1,22,2,24
Dunmere,11,95,17,90
"""
ARMS = """study,technique,events,total
Alderwick,trapeziectomy,6,30
Alderwick,trapeziectomy+suspension,4,29
Bramhope,trapeziectomy,9,40
Bramhope,trapeziectomy+ball,8,41
Cawdale,trapeziectomy+suspension,5,52
Cawdale,trapeziectomy+ball,7,50
Dunmere,trapeziectomy,17,90
Dunmere,trapeziectomy+suspension+ball,12,95
"""


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "table.csv"
    path.write_text(TABLE, encoding="utf-8")
    return path


@pytest.fixture
def arms(tmp_path: Path) -> Path:
    path = tmp_path / "arms.csv"
    path.write_text(ARMS, encoding="utf-8")
    return path


def test_file_figure_and_terminal_hold_the_same_numbers(metakit_command, table: Path, tmp_path: Path) -> None:
    asked = ("pool", table, "--measure", "risk_ratio", "--save")
    said = metakit_command(*asked, tmp_path / "answer.csv")
    assert said.status == 0 and "saved" in said.err
    rows = list(csv.reader((tmp_path / "answer.csv").read_text(encoding="utf-8").splitlines()))
    effects = metakit.effect_sizes(metakit.read_table(table, measure="risk_ratio"), measure="risk_ratio")
    drawn = word_everything(forest_content(metakit.pool(effects), effects))
    assert rows[1][0] == "'=Alderwick"  # no spreadsheet takes it for a formula
    for row, words in zip(rows[1:5], drawn.studies, strict=True):
        assert row[3:] == [words.estimate, words.interval, words.weight]
        assert (
            f"{words.estimate}  {words.interval}" in said.out
            and f"{words.weight} % of the weight" in said.out
        )
    assert drawn.mean is not None and rows[5][3:5] == [drawn.mean.estimate, drawn.mean.interval]
    sentence = rows[7][0]
    assert sentence.startswith(
        f"Risk ratio {drawn.mean.estimate} (95 % interval {drawn.mean.interval}; 4 studies;"
    )
    for path in (tmp_path / "answer.xlsx", tmp_path / "answer.docx"):
        assert metakit_command(*asked, path).status == 0
    sheet = load_workbook(tmp_path / "answer.xlsx").active
    assert sheet["A2"].value == "=Alderwick" and sheet["A2"].data_type == "s"
    assert sheet["D2"].value == float(rows[1][3]) and sheet["D2"].number_format == "0.00"
    document = Document(str(tmp_path / "answer.docx"))
    assert document.tables[0].cell(2, 3).text == rows[2][3]
    assert any(paragraph.text == sentence for paragraph in document.paragraphs)


def test_a_wrong_ending_is_said_before_anything_is_computed(
    metakit_command, table: Path, tmp_path: Path
) -> None:
    said = metakit_command("pool", table, "--measure", "risk_ratio", "--save", tmp_path / "answer.pages")
    assert said.status == 2 and ".csv, .xlsx, .docx" in said.err and not said.out


def test_percentage_points_logs_and_the_source_of_i2_are_named(metakit_command, table: Path) -> None:
    said = metakit_command("pool", table, "--measure", "risk_difference").out
    assert "Risk difference (percentage points): " in said and "(I², from τ²)" in said
    tau = float(said.split("(τ): ")[1].split(" percentage points")[0])
    answer = metakit_command("pool", table, "--measure", "risk_difference", "--json").answer
    assert tau == pytest.approx(100 * answer["tau2"] ** 0.5, rel=0.02)
    said = metakit_command("pool", table, "--measure", "risk_ratio", "--model", "common_effect").out
    assert "(I², from Q)" in said and "Test of no difference, of the mean: p" in said
    said = metakit_command("pool", table, "--measure", "risk_ratio").out
    assert "(τ) on the log scale" in said and "Probability that the mean lies below 1: 0.9" in said
    decimals = {
        len(line.split()[1].partition(".")[2]) for line in said.splitlines() if "% of the weight" in line
    }
    assert decimals == {2}


def test_a_network_tells_its_league_and_what_it_takes_as_better(
    metakit_command, arms: Path, tmp_path: Path
) -> None:
    asked = ("network", arms, "--measure", "risk_ratio", "--reference", "trapeziectomy", "--components")
    said = metakit_command(*asked, "--save", tmp_path / "network.csv")
    assert "Every technique against every other" in said.out
    assert said.out.count(" against ") >= 6 and "; direct " in said.out and ", indirect " in said.out
    assert "Ranks take fewer events as better, as nobody said otherwise" in said.out
    assert "lower taken as better" in said.out
    parts = said.out.split("What each component adds")[1].split("Notes")[0]
    assert "ball" in parts and "suspension" in parts and "trapeziectomy:" not in parts
    answer = metakit_command(*asked, "--better", "higher", "--json").answer
    assert not any("nobody said otherwise" in note for note in answer["notes"])
    assert {row["component"] for row in answer["components"]} == {"ball", "suspension"}
    rows = list(csv.reader((tmp_path / "network.csv").read_text(encoding="utf-8").splitlines()))
    assert rows[0] == ["Risk ratio, all techniques against each other"]  # several tables have titles
    assert rows[1][:2] == ["Technique", "Against"] and len([row for row in rows[2:8] if row[2]]) == 6


@pytest.mark.parametrize("other", ["Trapeziectomy + ball", "trapeziectomy +ball", "ball+trapeziectomy"])
def test_one_technique_spelt_in_two_ways_is_asked_about(metakit_command, arms: Path, other: str) -> None:
    arms.write_text(ARMS.replace("Cawdale,trapeziectomy+ball", f"Cawdale,{other}"), encoding="utf-8")
    said = metakit_command("network", arms, "--measure", "risk_ratio")
    assert said.status == 1 and "arms.csv:7" in said.err and "line 5 spells 'trapeziectomy+ball'" in said.err


def test_what_was_forced_is_said_in_the_answer(metakit_command, table: Path, tmp_path: Path) -> None:
    said = metakit_command(
        "explore",
        table,
        "--measure",
        "risk_ratio",
        "--tests",
        "egger",
        "--force",
        "--save",
        tmp_path / "e.csv",
    )
    assert said.out.count("Run all the same, as it was forced") == 2  # it does not suit, and studies are few
    assert "4 studies are too few" in said.out
    assert "Run all the same" in (tmp_path / "e.csv").read_text(encoding="utf-8")


EXPLORED = (
    "explore", "TABLE", "--measure", "risk_ratio", "--leave-one-out", "--influence", "--fragility",
    "--trim-and-fill", "l0", "--all-subsets", "--tests", "egger,begg", "--force",
)  # fmt: skip


@pytest.mark.lengthy
def test_what_was_explored_is_saved_as_rows_and_columns(metakit_command, table: Path, tmp_path: Path) -> None:
    asked = [str(table) if part == "TABLE" else part for part in EXPLORED]
    said = metakit_command(*asked, "--save", tmp_path / "explored.xlsx").out
    answer = metakit_command(*asked, "--json").answer
    sheet = load_workbook(tmp_path / "explored.xlsx").active
    rows = [tuple(cell for cell in row if cell is not None) for row in sheet.iter_rows(values_only=True)]
    at = rows.index(("Leave one out",))
    assert rows[at + 1] == (
        "Study",
        "Estimate",
        "Lower limit",
        "Upper limit",
        "Studies",
        "No answer, because",
    )
    for found, row in zip(answer["leave_one_out"], rows[at + 2 :], strict=False):
        assert row[0] == found["study"] and all(isinstance(value, (int, float)) for value in row[1:])
        told = (found["estimate"], *found["interval"])
        assert row[1:4] == pytest.approx([math.exp(value) for value in told], abs=0.006)
        assert row[4] == found["k"]
        assert f"{row[0]}: {row[1]:.2f} ({row[2]:.2f} to {row[3]:.2f})" in said
    at = rows.index(("Tests of small-study effects",))
    assert [row[0] for row in rows[at + 2 : at + 4]] == ["Egger", "Begg"]
    assert rows[at + 2][3] == pytest.approx(answer["egger"]["p_value"], rel=0.01)
    for kind in ("csv", "docx"):
        assert metakit_command(*asked, "--save", tmp_path / f"explored.{kind}").status == 0
    text = (tmp_path / "explored.csv").read_text("utf-8")
    assert "Influence\nStudy,Studentised residual,Weight (%),Shift of the mean,Marked for\n" in text
    assert len(Document(str(tmp_path / "explored.docx")).tables) == text.count("\n\n") + 1


def test_causes_are_saved_as_rows_and_columns(metakit_command, tmp_path: Path) -> None:
    table = tmp_path / "returns.csv"
    table.write_text(
        "study,cause,thumbs,total\nAlderwick,residual bone,4,80\nAlderwick,ST arthritis,2,80\n"
        "Bramhope,residual bone,3,60\nBramhope,not stated,2,60\n",
        "utf-8",
    )
    answer = metakit_command("causes", table, "--json").answer["overall"]
    assert metakit_command("causes", table, "--save", tmp_path / "causes.xlsx").status == 0
    sheet = load_workbook(tmp_path / "causes.xlsx").active
    rows = list(sheet.iter_rows(values_only=True))
    assert rows[1][:4] == ("Cause", "Thumbs", "Studies", "Of 100 that come back")
    for found, row in zip(answer["causes"], rows[2:], strict=False):
        assert row[:3] == (found["label"], found["thumbs"], found["studies"])
        assert row[3] == pytest.approx(100 * found["share"]["median"], abs=0.5)
        assert row[4:6] == pytest.approx([100 * limit for limit in found["share"]["interval"]], abs=0.5)
    titles = [row[0] for row in rows if row[0] and row[1] is None]
    assert "Why thumbs come back: how often" in titles
