"""Every command that writes: killed, interrupted, and on a full disk; files are whole and the next run completes.

`python -m pytest -m slow tests/fuzz/test_stopped_commands.py -s` kills and interrupts each 200 times: once at
every event of writing, the others at random moments. METAKIT_STOPS gives another number.
Source of the error of a full disk: errno ENOSPC, as POSIX write(2) gives it.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.fuzz.forked import Ended, Forks, How
from tests.fuzz.judging import contents, differences, left_over, torn
from tests.fuzz.writers import WRITERS, Writer, make_states

STOPS = int(os.environ.get("METAKIT_STOPS", "200"))
FEW = 1
STOPPED = "metakit: stopped; nothing half-written was left behind\n"
AGAIN = 8
"""After every so many stops at a random moment the command is run again; after those at an event, always."""


@dataclass
class Bench:
    forks: Forks
    states: dict[str, Path]
    home: Path

    def fresh(self, writer: Writer) -> Path:
        folder = self.home / "run"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.states[writer.state], folder)
        return folder

    def whole(self, writer: Writer) -> tuple[Path, Ended]:
        folder = self.fresh(writer)
        said = self.forks.run(list(writer.arguments), folder)
        assert said.status in (0, 1) and "Traceback" not in said.err, said
        return folder, said


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    home = tmp_path_factory.mktemp("stopped")
    forks = Forks()

    def run(arguments: list[str], folder: Path) -> None:
        said = forks.run(arguments, folder)
        assert said.status == 0, (arguments, said.err)

    yield Bench(forks=forks, states=make_states(home, run), home=home)
    forks.close()


def faults_of(
    bench: Bench, writer: Writer, how: How, at: int | float, wanted: tuple[dict[str, bytes], dict[str, bytes]],
    whole: Ended, *, again: bool,
) -> list[str]:  # fmt: skip
    """Stop a command once and say what is wrong with what it left."""
    before, after = wanted
    folder = bench.fresh(writer)
    said = bench.forks.run(list(writer.arguments), folder, how, at)
    found = contents(folder)
    wrong = [f"torn or lost: {name}" for name in torn(found, before, after)]
    done = differences(found, after) == []
    if how == "kill":
        wrong += [] if said.status == -9 or done else [f"status {said.status}"]
    else:
        wrong += [f"left over: {left_over(folder)}"] if left_over(folder) else []
        wrong += ["a traceback"] if "Traceback" in said.err or "Exception ignored" in said.err else []
    if how == "interrupt":
        stopped = said.status == 130 and said.err.endswith(STOPPED) and said.err.count(STOPPED) == 1
        wrong += (
            [] if stopped or (done and said.status == whole.status) else [f"{said.status}: {said.err[-200:]}"]
        )
    if how == "full":
        named = said.status == 2 and "No space left on device" in said.err and "/." not in said.err
        wrong += (
            [] if named or (done and said.status == whole.status) else [f"{said.status}: {said.err[-200:]}"]
        )
    if again:
        second = bench.forks.run(list(writer.arguments), folder)
        refused = writer.once and second.status == 2 and found.keys() > before.keys()
        if second.status != whole.status and not refused:
            wrong.append(f"the next run ended with {second.status}: {second.err[-200:]}")
        if not refused or done:
            wrong += [f"after the next run: {name}" for name in differences(contents(folder), after)]
    return [f"{writer.name} {how} at {at}: {fault}" for fault in wrong]


def stops(bench: Bench, writer: Writer, how: How, times: int) -> list[str]:
    folder, whole = bench.whole(writer)
    after, before = contents(folder), contents(bench.states[writer.state])
    draw = random.Random(f"{writer.name} {how}")
    events = list(range(whole.events))
    at_events = draw.sample(events, min(len(events), times if times >= len(events) else (times + 1) // 2))
    moments: list[int | float] = [*sorted(at_events)]
    moments += [draw.uniform(0.0, 1.1 * whole.seconds) for _ in range(times - len(moments))]
    wrong: list[str] = []
    for number, at in enumerate(moments):
        again = isinstance(at, int) or number % AGAIN == 0
        wrong += faults_of(bench, writer, how, at, (before, after), whole, again=again)
    print(f"{writer.name}: {len(at_events)} of {whole.events} events and {times - len(at_events)} moments, {how}: {len(wrong)} faults", flush=True)  # fmt: skip
    return wrong


def full_disks(bench: Bench, writer: Writer, every: int) -> list[str]:
    folder, whole = bench.whole(writer)
    after, before = contents(folder), contents(bench.states[writer.state])
    tried = range(0, whole.events, every)
    wrong: list[str] = []
    for at in tried:
        wrong += faults_of(bench, writer, "full", at, (before, after), whole, again=True)
    print(
        f"{writer.name}: disk full at {len(tried)} of {whole.events} events: {len(wrong)} faults", flush=True
    )
    return wrong


@pytest.mark.walk
@pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name)
def test_a_few_stops(bench: Bench, writer: Writer) -> None:
    assert stops(bench, writer, "kill", FEW) + stops(bench, writer, "interrupt", FEW) == []


@pytest.mark.slow
@pytest.mark.parametrize("how", ["kill", "interrupt"])
@pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name)
def test_hundreds_of_stops(bench: Bench, writer: Writer, how: How) -> None:
    assert stops(bench, writer, how, STOPS) == []


@pytest.mark.slow
@pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name)
def test_a_disk_full_at_every_event_or_every_tenth(bench: Bench, writer: Writer) -> None:
    assert full_disks(bench, writer, 1) == []
