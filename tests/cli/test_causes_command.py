"""`metakit causes` as a newcomer runs it: words, JSON, and what it says to a table that is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run

TABLE = """study,cause,thumbs,total,time
Alder,residual bone,4,80,240
Alder,ST arthritis,2,80,240
Alder,MP collapse,1,80,240
Birch,trapezium remnant,3,60,150
Birch,mp_hyperextension,3,60,150
Birch,not stated,2,60,150
Cedar,scaphotrapezoid_arthritis,2,45,90
Cedar,all causes,3,45,90
Dogwood,residual bone,5,120,480
Dogwood,MP hyperextension,1,120,480
"""
"""Invented: four studies."""


@pytest.fixture
def table(tmp_path: Path) -> Path:
    file = tmp_path / "returns.csv"
    file.write_text(TABLE, encoding="utf-8")
    return file


def test_words(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(app, ["causes", str(table)]) == 0
    said = capsys.readouterr().out
    assert "24 thumbs came back in 4 studies, 3 of them without a stated cause." in said
    for words in ("Residual bone:", "Scaphotrapezoid arthritis:", "MP hyperextension:", "in a new centre"):
        assert words in said
    assert "if none of those without a stated cause" in said
    assert "reluctance" in said
    assert "counted 12 of 21 thumbs in 3 studies, added up 57 of 100" in said
    assert "×10" not in said  # nearly nothing is said as such


def test_json(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(app, ["causes", str(table), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["overall"]
    assert found["model"] == "logistic_normal"
    assert found["model_beside"] == "dirichlet_multinomial"
    assert found["k"] == 4
    assert sum(item["share"]["mean"] for item in found["causes"]) == pytest.approx(1, abs=1e-12)


def test_a_wrong_table_is_told_with_its_lines(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table.write_text(TABLE.replace("MP collapse", "MP colapse").replace("5,120,480", "500,120,480"))
    assert run(app, ["causes", str(table)]) == 1
    said = capsys.readouterr().err
    assert f"{table}:4: error: cause" in said


def test_no_answer_ends_with_3(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table.write_text("study,cause,thumbs,total\nAlder,infection,0,80\n")
    assert run(app, ["causes", str(table)]) == 3
    assert "no thumb came back" in capsys.readouterr().err


def test_it_is_drawn(table: Path, tmp_path: Path) -> None:
    to = tmp_path / "causes.svg"
    assert run(app, ["draw", str(table), "--figure", "causes", "--to", str(to)]) == 0
    assert "Scaphotrapezoid" in to.read_text(encoding="utf-8")


def test_other_figures_still_need_a_measure(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(app, ["draw", str(table), "--to", "forest.svg"]) == 2
    assert "--measure" in capsys.readouterr().err
