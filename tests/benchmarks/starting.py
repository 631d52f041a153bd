"""Processor time of one small `metakit pool`, with the import of numpy and pandas in the same run as the yardstick.

Run with `python -m tests.benchmarks.starting`; `python -m tests.benchmarks.starting TREE` sets an older tree of
metakit beside it. Processes are started in turns and the least processor time of many is kept, so that a busy machine
hurts all alike. The table is invented.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS = 12
TABLE = """study,events_1,total_1,events_2,total_2
Alderwick,4,29,6,30
Bramhope,3,41,9,40
Cawdale,1,22,2,24
Dunmere,11,95,17,90
"""


def seconds(tree: str, *arguments: str) -> float:
    """Return the processor time of one fresh Python."""

    def used() -> float:
        found = resource.getrusage(resource.RUSAGE_CHILDREN)
        return found.ru_utime + found.ru_stime

    before = used()
    # Started in the root: `python -m` looks where it stands before it looks in the tree.
    around = os.environ | {"PYTHONPATH": tree, "OPENBLAS_NUM_THREADS": "1"}
    subprocess.run([sys.executable, *arguments], env=around, cwd="/", stdout=subprocess.DEVNULL, check=True)
    return used() - before


def main(older: tuple[str, ...]) -> None:
    """Print the times and their ratios."""
    here = str(Path(__file__).resolve().parents[2])
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "table.csv"
        table.write_text(TABLE, encoding="utf-8")
        pool = ("-m", "metakit", "pool", str(table), "--measure", "risk_ratio")
        jobs = {"numpy and pandas": (here, "-c", "import numpy, pandas"), "metakit pool": (here, *pool)}
        jobs |= {f"metakit pool in {tree}": (tree, *pool) for tree in older}
        least = dict.fromkeys(jobs, float("inf"))
        for _ in range(ROUNDS):
            for name, job in jobs.items():
                least[name] = min(least[name], seconds(*job))
    mine = least["metakit pool"]
    for name, time in least.items():
        print(f"{name:<40} {1000 * time:7.0f} ms   metakit pool takes {mine / time:.2f} of it")


if __name__ == "__main__":
    main(tuple(sys.argv[1:]))
