"""Damaged files of every kind: words with their place or a sound reading; never a traceback or a silent change.

`python -m pytest -m slow tests/fuzz` reads 10,000 of each kind; METAKIT_FUZZ_FROM gives the first seed.
"""

from __future__ import annotations

import os
import resource
import time
from pathlib import Path

import pytest

from metakit.errors import ProblemsError, UsageError
from tests.fuzz.damage import damaged
from tests.fuzz.targets import TARGETS, Target

FEW, MANY = 200, 10_000
LONGEST = 5.0  # seconds
MOST_MEMORY = 500_000  # kB more than before
KEPT: dict[str, tuple[int, ...]] = {"table": (42, 1197, 1496, 2727)}
"""Seeds that once found a fault, by kind."""


def read_damaged(target: Target, seed: int, folder: Path) -> list[str]:
    """Damage, read, and say what is wrong with how it was read."""
    path = folder / target.file
    content = damaged(target.content(), seed)
    path.write_bytes(content)
    before = sorted(folder.rglob("*"))
    wrong = []
    start = time.process_time()
    try:
        problems, silent = target.read(path)
        problems = list(problems)
        wrong += silent
    except ProblemsError as error:
        problems = list(error.problems)
        wrong += [] if problems else ["refused without a problem"]
    except UsageError as error:
        problems = []
        wrong += [] if str(error) else ["refused without a word"]
    except Exception as error:
        return [f"{type(error).__name__}: {error}"]
    taken = time.process_time() - start
    wrong += [f"took {taken:.1f} s"] if taken > LONGEST else []
    wrong += [
        f"no place: {problem}" for problem in problems if Path(problem.file.split(" > ")[0]).name != path.name
    ]
    wrong += [f"no words: {problem!r}" for problem in problems if not problem.what]
    if path.read_bytes() != content or sorted(folder.rglob("*")) != before:
        wrong.append("files were changed")
    return wrong


def faults(target: Target, seeds: range | tuple[int, ...], folder: Path) -> list[str]:
    (folder / target.file).parent.mkdir(exist_ok=True)
    return [
        f"{target.name} {seed}: {wrong}" for seed in seeds for wrong in read_damaged(target, seed, folder)
    ]


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_a_few_damaged_files(target: Target, tmp_path: Path) -> None:
    assert faults(target, (*KEPT.get(target.name, ()), *range(FEW)), tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_many_damaged_files(target: Target, tmp_path: Path) -> None:
    first = int(os.environ.get("METAKIT_FUZZ_FROM", "1000"))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert faults(target, range(first, first + MANY), tmp_path) == []
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory < MOST_MEMORY
