"""Processor time of the demo's whole run, from the command to the last file, beside that of an older tree.

Run with `python -m tests.benchmarks.demo OLDER_TREE [ROUNDS]`. In each round both run in turns, in fresh processes,
and the ratio of their processor times is told; the median of the rounds is the answer, since other work on the machine
hurts the two of one round alike. The bytecode of both is made before, as it is when a package is installed.
"""

from __future__ import annotations

import compileall
import sys
import tempfile
from pathlib import Path
from statistics import median

from tests.benchmarks.starting import seconds


def main(older: str, rounds: int = 3) -> None:
    """Print times and ratios."""
    here = str(Path(__file__).resolve().parents[2])
    for tree in (here, older):
        compileall.compile_dir(f"{tree}/metakit", quiet=1)
    ratios = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(1, rounds + 1):
            times = [
                seconds(tree, "-m", "metakit", "demo", "--out", f"{folder}/{name}-{number}")
                for name, tree in (("here", here), ("older", older))
            ]
            ratios.append(times[0] / times[1])
            print(f"round {number}: {times[0]:.1f} s, in {older} {times[1]:.1f} s, ratio {ratios[-1]:.2f}")
    print(f"the demo takes {median(ratios):.2f} of the processor time of {older}")


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:3]))
