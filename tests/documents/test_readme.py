"""The README's commands, run as printed in an empty folder."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path
from urllib.request import urlopen

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"(?:<!-- (?P<mark>[^>]*) -->\n)?```(?P<kind>\w+)\n(?P<text>.*?)```", re.DOTALL)


def commands(section: str) -> list[str]:
    text = README.split(f"## {section}")[1].split("\n## ")[0]
    return [
        line
        for block in BLOCK.finditer(text)
        if block["kind"] == "bash"
        for line in block["text"].strip().splitlines()
    ]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for block in BLOCK.finditer(README):
        if block["mark"] and block["mark"].startswith("file: "):
            (tmp_path / block["mark"].removeprefix("file: ")).write_text(block["text"], encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.walk
@pytest.mark.parametrize(
    ("section", "made"),
    [
        ("Five minutes for the guideline writer", ["my_review/protocol.yaml", "my_report/report.html", "my_report/findings.json", "my_report/changes.json", "my_report/review_bundle.zip"]),
        ("Five minutes for the fellow", ["answer.docx", "forest.pdf", "funnel.png", "influence.svg", "network.svg", "AB/quillmere.xlsx", "fellow_review/reconcile/decisions.xlsx", "fellow_review/reconcile/disagreements.html", "fellow_review/records/quillmere.yaml", "fellow_review/history.jsonl", "figure_1.tif", "figure_2.pdf", "figure_2_caption.txt", "fellow_report/report.docx", "fellow_report/reporting_checklist.docx", "fellow_report/methods_references.bib"]),
        ("Five minutes for the department", ["empty_unit.yaml", "my_unit_page/unit.html", "my_unit_page/unit.json"]),
    ],
)  # fmt: skip
def test_walk_through_runs_as_printed(section: str, made: list[str], folder: Path, capsys) -> None:
    from metakit.cli.app import app
    from metakit.cli.support.running import run

    lines = commands(section)
    assert lines
    for line in lines:
        program, *arguments = shlex.split(line)
        assert program == "metakit"
        status = run(app, arguments)
        said = capsys.readouterr()
        assert status == 0, f"{line}\n{said.err}"
    for name in made:
        assert (folder / name).stat().st_size > 0


@pytest.mark.walk
def test_the_desk_opens_as_printed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The way through its pages is walked in tests/browser/test_desk_walks.py."""
    install, start = commands("Five minutes in the browser")
    assert install == 'python -m pip install "metakit[desk]"'
    monkeypatch.setenv("XDG_STATE_HOME", str(folder / "state"))
    command = [sys.executable, "-m", *shlex.split(start), "--no-browser"]
    served = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert served.stdout is not None
        address = served.stdout.readline().strip()
        with urlopen(address, timeout=20) as page:  # noqa: S310 - our own address
            assert "The desk opens" in page.read().decode()
        assert (folder / "my_review" / "protocol.yaml").is_file()
    finally:
        served.terminate()
        served.communicate()


@pytest.mark.walk
def test_the_printed_decisions_are_those_that_the_workbook_asks_for(folder: Path, capsys) -> None:
    from metakit.cli.app import app
    from metakit.cli.support.running import run
    from metakit.review.reconciling.reconcile_decisions import COLUMNS, read_rows

    lines = commands("Five minutes for the fellow")
    start = next(number for number, line in enumerate(lines) if line.startswith("metakit new"))
    stop = next(number for number, line in enumerate(lines) if "--decisions" in line)
    for line in lines[start:stop]:
        assert run(app, shlex.split(line)[1:]) == 0
    asked = [row for _, row in read_rows(folder / "fellow_review/reconcile/decisions.xlsx")]
    printed = [row for _, row in read_rows(folder / "decisions.csv")]
    needed = [row for row in asked if row["needed"] == "yes"]
    assert [[row[name] for name in COLUMNS[:10]] for row in printed] == [
        [row[name] for name in COLUMNS[:10]] for row in needed
    ]
    said = [run(app, shlex.split(line)[1:]) for line in lines[stop:]]
    assert set(said) == {0}
    path = capsys.readouterr().out
    assert "mean 4.57" in path and "table 4 prints 4.57" in path and "records/quillmere.yaml:" in path


def test_python_of_the_readme_runs(folder: Path, capsys) -> None:
    (code,) = (block["text"] for block in BLOCK.finditer(README) if block["kind"] == "python")
    exec(compile(code, "README.md", "exec"), {})  # noqa: S102 - our own README
    said = capsys.readouterr().out
    assert "Risk ratio 0.55 (95 % interval 0.28 to 1.06; 4 studies" in said
    assert "..." not in said and "dersimonian_laird" in said  # whole tables


def test_the_two_commands_are_marked_for_the_ci_script() -> None:
    marks = [block["mark"] for block in BLOCK.finditer(README) if block["mark"]]
    assert marks[:2] == ["command: demo", "command: test"]


def test_pictures_exist() -> None:
    for picture in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README):
        assert (ROOT / picture).is_file()


def test_the_script_runs_as_printed(folder: Path, capsys) -> None:
    script = next(block["text"] for block in BLOCK.finditer(README) if block["mark"] == "script: python")
    exec(compile(script, "README.md", "exec"), {})  # noqa: S102 - our own printed script
    said = capsys.readouterr().out
    assert "paule_mandel" in said and "Bramhope" in said
    for name in ("two_pictures.pdf", "table.tex", "table.md"):
        assert (folder / name).stat().st_size > 0
    assert "Alderwick" in (folder / "table.tex").read_text() and "| Mean" in (folder / "table.md").read_text()
