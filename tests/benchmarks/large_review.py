"""A review of many records and analyses, made from the invented demonstration: for benchmarks and tests of scale.

Every copy of a study has a name and a cohort of its own, and means that differ a little; counts stay, so that they
go on adding up. Run `python -m tests.benchmarks.large_review FOLDER [RECORDS] [ANALYSES]` to write one.
"""

from __future__ import annotations

import re
import sys
from itertools import cycle, islice
from pathlib import Path

import numpy as np

DEMO = Path(__file__).resolve().parents[2] / "demo_studies"
WAYS = (
    "",
    ", model: random_effects",
    ", model: common_effect",
    ", model: random_effects, tau2: paule_mandel",
)
"""What is added to an analysis each time that the demonstration's list is gone through once more."""


def write_large_review(folder: Path, *, records: int, analyses: int, seed: int = 20261130) -> Path:
    """Write a review of this many records and analyses into an empty folder."""
    chance = np.random.default_rng(seed)
    (folder / "records").mkdir(parents=True)
    texts = [path.read_text(encoding="utf-8") for path in sorted((DEMO / "records").glob("*.yaml"))]
    for number, text in enumerate(islice(cycle(texts), records)):
        name = f"L{number // len(texts):03d}"
        (folder / "records" / f"{name}-{number % len(texts) + 1:02d}.yaml").write_text(
            _copy(text, name, chance), encoding="utf-8"
        )
    protocol = (DEMO / "protocol.yaml").read_text(encoding="utf-8")
    (folder / "protocol.yaml").write_text(_with_analyses(protocol, analyses), encoding="utf-8")
    return folder


def _copy(text: str, name: str, chance: np.random.Generator) -> str:
    def moved(found: re.Match[str]) -> str:
        digits = len(found[2].partition(".")[2])
        return f"{found[1]}{float(found[2]) * (1.0 + 0.03 * chance.standard_normal()):.{digits}f}"

    text = text.replace("DEMO-", f"{name}-")
    text = re.sub(r"^(  cohort: \S+)", rf"\1_{name.lower()}", text, flags=re.MULTILINE)
    text = re.sub(r"^(  unit_name: \"[^\"]*)\"", rf'\1, {name}"', text, flags=re.MULTILINE)
    text = re.sub(r"^# Agreed by.*\n", "", text, flags=re.MULTILINE)
    return re.sub(r"^(    mean: )(\d+\.\d+)$", moved, text, flags=re.MULTILINE)


def _with_analyses(protocol: str, number: int) -> str:
    lines = protocol.splitlines()
    start = lines.index("analyses:") + 1
    end = next(at for at in range(start, len(lines)) if not lines[at].startswith(" "))
    plain = lines[start:end]
    wanted = []
    for way, added in enumerate(WAYS):
        for line in plain:
            bare = re.sub(r", (model|note): (\"[^\"]*\"|\w+)", "", line) if way else line
            counts_only = "techniques:" in line or "rate_ratio" in line
            added_here = "" if counts_only else added
            renamed = re.sub(r"id: (\w+)", rf"id: \1_{way}" if way else r"id: \1", bare)
            wanted.append(renamed[:-1] + added_here + "}")
    if number > len(wanted):
        raise ValueError(f"at most {len(wanted)} analyses can be made")
    kept = [line for line in lines[:start] if "plan_hash" not in line]
    return "\n".join([*kept, *wanted[:number], *lines[end:]]) + "\n"


if __name__ == "__main__":
    records, analyses = (*map(int, sys.argv[2:]), *(500, 104)[len(sys.argv) - 2 :])
    print(write_large_review(Path(sys.argv[1]), records=records, analyses=analyses))
