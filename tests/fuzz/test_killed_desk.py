"""Desks killed at any moment of a save: what was acknowledged is there, and no file is torn."""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from metakit.forms.library import shipped
from metakit.forms.records import read_record

ROOT = Path(__file__).parents[2]
STUDY = "extractors/AB/DEMO-01_quillmere.yaml"
WRITER = """
import sys
from pathlib import Path
from metakit.core.files import sha256_of
from metakit.desk.changes import Change
from metakit.desk.saving import save_fields
from metakit.desk.state import Desk

folder, start = Path(sys.argv[1]), int(sys.argv[2])
desk, path = Desk(folder=folder, person="AB"), folder / sys.argv[3]
old = desk.reading(path).group.text("study.note")
print("ready", flush=True)
for number in range(start, start + 10_000):
    new = f"save {number}"
    save_fields(desk, path, sha256_of(path), [Change(address="study.note", old=old, new=new)])
    old = new
    print(number, flush=True)
"""


def kills(folder: Path, times: int, seed: int) -> tuple[int, int]:
    """Kill a writing process again and again; return how many saves were acknowledged and how many lost."""
    chance = random.Random(seed)
    path = folder / STUDY
    acknowledged, lost, start = 0, 0, 0
    for _ in range(times):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(folder), str(start), STUDY], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        said = [int(writer.stdout.readline())]
        reader = threading.Thread(
            target=lambda w=writer, s=said: s.extend(int(line) for line in w.stdout if line.endswith("\n"))
        )
        reader.start()
        time.sleep(chance.uniform(0.0, 0.15))
        writer.kill()
        writer.wait()
        reader.join()
        writer.stdout.close()
        reading = read_record(path, shipped())
        assert reading.sound, reading.problems  # never torn
        there = reading.group.text("study.note")
        # A save that was written and not yet acknowledged may stand there; an acknowledged one must.
        lost += there not in (f"save {said[-1]}", f"save {said[-1] + 1}")
        acknowledged += len(said)
        start = int(there.split()[1]) + 1
    return acknowledged, lost


def prepared(folder: Path) -> Path:
    shutil.copytree(ROOT / "demo_studies", folder)
    return folder


@pytest.mark.walk
def test_a_dozen_kills_lose_nothing(tmp_path: Path) -> None:
    acknowledged, lost = kills(prepared(tmp_path / "review"), 12, 1)
    assert lost == 0
    assert acknowledged >= 12


@pytest.mark.slow
def test_a_thousand_kills_lose_nothing(tmp_path: Path) -> None:
    folder = prepared(tmp_path / "review")
    acknowledged, lost = kills(folder, 1000, 2)
    assert lost == 0
    assert acknowledged >= 1000
    left = [one.name for one in (folder / STUDY).parent.iterdir() if one.name.startswith(".DEMO")]
    assert len(left) <= 1  # the next save sweeps up what a killed one left
