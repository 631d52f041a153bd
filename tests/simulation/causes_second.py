"""The candidates again on fresh data sets, as causes_protocol_2.md says.

    python -m tests.simulation.causes_second [cells]

writes tests/simulation/causes_results_2.csv cell by cell; a cell that stands there is not run again, and after
`cells` cells (all by default) it stops. All data are invented (seeded random numbers).
"""

from __future__ import annotations

import csv
import sys
import time
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import numpy as np

from tests.simulation import causes
from tests.simulation.causes import FEWEST, LIMITS, MOST, Cell, cells, study_shares, truth

RESULTS = Path(__file__).resolve().parent / "causes_results_2.csv"
REPEATS = 1000


@dataclass(slots=True)
class Line:
    """What is counted for one cell, candidate and cause; `..._error` are Monte Carlo standard errors.

    `mean_error` is that of the coverage averaged over the causes of a data set (the same in every line of a
    cell and candidate), `redone` the share of data sets that the logistic-normal answered with more draws.
    """

    k: int
    mechanism: str
    spread: str
    candidate: str
    cause: int
    truth: float
    repeats: int
    coverage: float
    coverage_error: float
    mean_error: float
    new_coverage: float
    bias: float
    bias_error: float
    mean_width: float
    redone: float


def seeded(cell: Cell) -> np.random.Generator:
    """Return the generator of a cell: by its names and the word second."""
    names = (cell.k, cell.mechanism, cell.spread, "second")
    return np.random.default_rng(zlib.crc32(repr(names).encode()))


def run(cell: Cell, repeats: int) -> Iterator[Line]:
    """Draw, answer and count one cell."""
    rng, goal = seeded(cell), truth(cell)
    answers: dict[str, list[causes.Answer]] = {name: [] for name in causes.CANDIDATES}
    for _ in range(repeats):
        returns = rng.integers(FEWEST, MOST + 1, size=cell.k)
        counts = rng.multinomial(returns, study_shares(cell, cell.k, rng)).T.astype(float)
        new = study_shares(cell, 1, rng)[0]
        for name, candidate in causes.CANDIDATES.items():
            answers[name].append(
                causes.logistic_normal(counts, new, draws=2000, least=100)
                if name == "logistic_normal"
                else candidate(counts, new)
            )
    for name, rows in answers.items():
        mean, limits, below = (
            np.array([getattr(row, part) for row in rows]) for part in ("mean", "limits", "below")
        )
        covered = (limits[:, 0] <= goal) & (goal <= limits[:, 1])
        inside = (LIMITS[0] <= below) & (below <= LIMITS[1])
        root = np.sqrt(repeats)
        for c, share in enumerate(goal):
            held = float(covered[:, c].mean())
            yield Line(
                cell.k, cell.mechanism, cell.spread, name, c + 1, float(share), repeats,
                held,
                float(np.sqrt(held * (1 - held) / repeats)),
                float(covered.mean(axis=1).std(ddof=1) / root),
                float("nan") if name == "pooled" else float(inside[:, c].mean()),
                float(mean[:, c].mean() - share),
                float(mean[:, c].std(ddof=1) / root),
                float((limits[:, 1] - limits[:, 0])[:, c].mean()),
                float(np.mean([row.redone for row in rows])),
            )  # fmt: skip


def done() -> set[tuple[str, str, str]]:
    """Return the cells that have been written."""
    if not RESULTS.exists():
        return set()
    with RESULTS.open(encoding="utf-8", newline="") as file:
        return {(row["k"], row["mechanism"], row["spread"]) for row in csv.DictReader(file)}


def main(most: int) -> None:
    """Run up to `most` cells that have not been written yet."""
    written = done()
    left = [cell for cell in cells() if (str(cell.k), cell.mechanism, cell.spread) not in written]
    names = [field.name for field in fields(Line)]
    for cell in left[:most]:
        started = time.process_time()
        lines = [asdict(line) for line in run(cell, REPEATS)]
        fresh = not RESULTS.exists()
        with RESULTS.open("a", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, names, lineterminator="\n")
            if fresh:
                writer.writeheader()
            for row in lines:
                writer.writerow(
                    {key: f"{value:.5f}" if isinstance(value, float) else value for key, value in row.items()}
                )
        print(cell, f"{time.process_time() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 24)
