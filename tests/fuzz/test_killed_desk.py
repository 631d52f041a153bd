"""Desks killed at any moment of a save: what was acknowledged is there, and no file is torn.

A thousand of them as `pytest -m slow` runs them; some more, with what they left, by
`python -m tests.fuzz.test_killed_desk SEED KILLS`.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import pytest

from metakit.core.files import sha256_of
from metakit.desk.changes import Change
from metakit.desk.saving import save_fields
from metakit.desk.state import Desk
from metakit.forms.library import shipped
from metakit.forms.records import read_record

ROOT = Path(__file__).parents[2]
STUDY = "extractors/AB/DEMO-01_quillmere.yaml"
LONGEST = 0.15
"""Seconds after the first acknowledged save within which a desk is killed: a few saves long."""


class Kills(NamedTuple):
    """What killed desks had acknowledged, and what of it was lost; files that could not be read; files left."""

    kills: int
    acknowledged: int
    lost: int
    torn: int
    left: int


def write_on(folder: Path, start: int, acknowledge: int) -> None:
    """Save one field again and again, and tell of each save when it is done."""
    desk, path = Desk(folder=folder, person="AB"), folder / STUDY
    group = desk.reading(path).group
    assert group is not None
    old = group.text("study.note")
    for number in range(start, start + 10_000):
        new = f"save {number}"
        save_fields(desk, path, sha256_of(path), [Change(address="study.note", old=old, new=new)])
        old = new
        os.write(acknowledge, f"{number}\n".encode())


def kills(folder: Path, times: int, seed: int) -> Kills:
    """Kill a writing process again and again.

    Each is a process of its own, made by a fork so that it need not load everything anew; it is killed by the
    signal that no process can answer.
    """
    chance = random.Random(seed)
    path = folder / STUDY
    acknowledged = lost = torn = start = 0
    for _ in range(times):
        told, tells = os.pipe()
        writer = os.fork()
        if writer == 0:  # pragma: no cover - this process is killed
            try:
                os.close(told)
                write_on(folder, start, tells)
            finally:
                os._exit(1)
        os.close(tells)
        with os.fdopen(told) as lines:
            said = [int(lines.readline())]
            time.sleep(chance.uniform(0.0, LONGEST))
            os.kill(writer, signal.SIGKILL)
            assert os.waitstatus_to_exitcode(os.waitpid(writer, 0)[1]) == -signal.SIGKILL
            said += [int(line) for line in lines if line.endswith("\n")]
        reading = read_record(path, shipped())
        torn += not reading.sound
        there = reading.group.text("study.note") if reading.group is not None else ""
        # A save that was written and not yet acknowledged may stand there; an acknowledged one must.
        lost += there not in (f"save {said[-1]}", f"save {said[-1] + 1}")
        acknowledged += len(said)
        start = int(there.split()[1]) + 1 if there.startswith("save ") else said[-1] + 1
    left = sum(one.name.startswith(".DEMO") for one in path.parent.iterdir())
    return Kills(times, acknowledged, lost, torn, left)


def main(seed: int, times: int) -> None:
    """Kill desks over a copy of the demonstration, and print what came of it as one line of numbers."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "review"
        shutil.copytree(ROOT / "demo_studies", folder)
        print(*kills(folder, times, seed))


def in_a_process_of_its_own(seed: int, times: int) -> Kills:
    """A process without threads, which may fork."""
    command = [sys.executable, "-m", "tests.fuzz.test_killed_desk", str(seed), str(times)]
    surroundings = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path])}
    done = subprocess.run(command, cwd=ROOT, env=surroundings, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = Kills(*map(int, done.stdout.split()))
    print(found)
    return found


@pytest.mark.walk
@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_dozen_kills_lose_nothing() -> None:
    found = in_a_process_of_its_own(1, 12)
    assert (found.kills, found.lost, found.torn) == (12, 0, 0)
    assert found.acknowledged >= 12


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_thousand_kills_lose_nothing() -> None:
    found = in_a_process_of_its_own(2, 1000)
    assert (found.kills, found.lost, found.torn) == (1000, 0, 0)
    assert found.acknowledged >= 1000
    assert found.left <= 1  # the next save sweeps up what a killed one left


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
