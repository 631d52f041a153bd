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


@pytest.mark.parametrize("twin", ["a-1,4,40,6,41", "B,3,40,5,41"])
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


@pytest.mark.parametrize("twin", ["a-1", "B"])
def test_a_network_names_both_studies(tmp_path: Path, metakit_command, twin: str) -> None:
    table = tmp_path / "n.csv"
    arms = {"A 1": (3, 5), "C": (4, 6), twin: (3, 5) if twin == "B" else (2, 7)}
    rows = "".join(f"{s},x,{a},40\n{s},y,{b},41\n" for s, (a, b) in arms.items())
    table.write_text("study,technique,events,total\n" + rows, encoding="utf-8")
    said = metakit_command("network", table, "--measure", "odds_ratio")
    assert said.status == 1 and f"{table}:6: error" in said.err and "line 2" in said.err
    assert metakit_command("network", table, "--measure", "odds_ratio", "--rows-differ").status == 0
