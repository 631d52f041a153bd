"""Two processes of every pair of commands that write, at once: the result is that of one after the other.

`python -m pytest -m slow tests/fuzz/test_two_writers.py -s`
"""

from __future__ import annotations

import random
import shutil
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations_with_replacement
from pathlib import Path

import pytest

from tests.fuzz.forked import Forks, Order
from tests.fuzz.judging import contents, differences, left_over
from tests.fuzz.writers import WRITERS, Writer, make_states

STATES = ("typed", "searched", "screened")
INSIDE = [writer for writer in WRITERS if "rev" in writer.arguments]
"""Those that write in a review; the others write a file of their own, and are paired with themselves."""
PAIRS = [
    *combinations_with_replacement(INSIDE, 2),
    *((writer, writer) for writer in WRITERS if writer not in INSIDE),
]
SOME = [pair for pair in PAIRS if {writer.name for writer in pair} in (
    {"reconcile_decisions", "collect"}, {"collect_screening", "collect_search"}, {"plan"}, {"collect_search"})]  # fmt: skip


@dataclass
class Bench:
    one: Forks
    two: Forks
    states: Mapping[str, Path]
    home: Path
    _alone: dict[tuple[str, str], tuple[Path, float]] = field(default_factory=dict)

    def copy(self, of: Path) -> Path:
        folder = self.home / "run"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(of, folder)
        return folder

    def alone(self, writer: Writer, state: str) -> tuple[Path, float]:
        """Return the folder after this command alone, and how long it took; run once for all its pairs."""
        key = (writer.name, state)
        if key not in self._alone:
            said = self.one.run(list(writer.arguments), self.copy(self.states[state]))
            kept = self.home / f"{writer.name}-{state}"
            shutil.copytree(self.home / "run", kept)
            self._alone[key] = (kept, said.seconds)
        return self._alone[key]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    home, one, two = tmp_path_factory.mktemp("two"), Forks(), Forks()

    def run(arguments: list[str], folder: Path) -> None:
        assert one.run(arguments, folder).status == 0, arguments

    yield Bench(one=one, two=two, states=make_states(home, run), home=home)
    one.close()
    two.close()


def pieces(writer: Writer) -> list[list[str]]:
    """Return the command of each file that a command is given."""
    files = [argument for argument in writer.arguments if argument.startswith("given/")]
    return [
        [argument for argument in writer.arguments if argument not in files or argument == file]
        for file in files or [""]
    ]


def faults(bench: Bench, pair: tuple[Writer, Writer], tries: int) -> list[str]:
    """Let two commands run at once, and say what is not as if they had run one after the other."""
    state = max((writer.state for writer in pair), key=STATES.index)
    done = {writer.name: bench.alone(writer, state) for writer in pair}
    seconds = max(taken for _, taken in done.values())
    alone = [contents(folder) for folder, _ in done.values()]  # one was refused: then nothing of it is there
    ends = []
    for first, second in (pair, pair[::-1]):
        folder = bench.copy(done[first.name][0])
        bench.one.run(list(second.arguments), folder)
        ends.append(contents(folder))
    # A command takes several files one by one, each whole: the other one may come between two of them.
    for split, other in (pair, pair[::-1]):
        parts = pieces(split)
        for at in range(1, len(parts)):
            folder = bench.copy(bench.states[state])
            for arguments in (*parts[:at], list(other.arguments), *parts[at:]):
                bench.one.run(arguments, folder)
            ends.append(contents(folder))
    draw, wrong = random.Random(f"{pair}"), []
    for number in range(tries):
        folder = bench.copy(bench.states[state])
        first, second = pair if number % 2 else pair[::-1]
        bench.one.start(Order(arguments=list(first.arguments), cwd=str(folder)))
        time.sleep(draw.uniform(0.0, 0.7 * seconds) if number else 0.0)
        bench.two.start(Order(arguments=list(second.arguments), cwd=str(folder)))
        said = (bench.one.ended(), bench.two.ended())
        found = contents(folder)
        good = any(differences(found, after) == [] for after in ends)
        if not good and any(end.status in (1, 2) and "metakit" in end.err for end in said):
            good = any(differences(found, after) == [] for after in alone)
        if not good:
            odd = min((differences(found, after) for after in ends), key=len)
            wrong.append(
                f"{odd}; ended with {[end.status for end in said]}, {[end.err[-300:] for end in said]}"
            )
        wrong += [f"left over: {left_over(folder)}"] if left_over(folder) else []
        wrong += [
            f"{end.status}: {end.err[-300:]}"
            for end in said
            if "Traceback" in end.err or end.status not in (0, 1, 2)
        ]
    return [f"{pair[0].name} with {pair[1].name}: {fault}" for fault in wrong]


@pytest.mark.walk
@pytest.mark.parametrize("pair", SOME, ids=lambda pair: f"{pair[0].name}-{pair[1].name}")
def test_two_at_once_are_as_one_after_the_other(bench: Bench, pair: tuple[Writer, Writer]) -> None:
    assert faults(bench, pair, 3) == []


@pytest.mark.slow
@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: f"{pair[0].name}-{pair[1].name}")
def test_every_pair_at_once(bench: Bench, pair: tuple[Writer, Writer]) -> None:
    assert faults(bench, pair, 3) == []
