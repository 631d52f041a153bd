"""Write tests/reference/causes_logistic_normal.yaml: what grids and chains say of the logistic-normal for causes of return.

Run from the top of the project:

    python tests/reference/generate_logistic_normal.py                    # all cases, about a quarter of an hour on one core
    python tests/reference/generate_logistic_normal.py "three causes"     # only cases whose names begin so
    python tests/reference/generate_logistic_normal.py --to PATH          # into another file

Small cases are answered on grids, twice: the error beside a figure is how far the coarser grid was from the finer. Chains
answer them too, and the file says how many of their own standard errors they are off. Larger cases are answered by chains alone:
the error is a Monte Carlo standard error. A case that is not asked for stays in the file as it was.
"""

from __future__ import annotations

import argparse
import os
import time
import zlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import yaml  # noqa: E402
from logistic_normal import cases, chain, grid  # noqa: E402

ANSWERS = Path(__file__).resolve().parent / "causes_logistic_normal.yaml"
HEAD = """\
# What the logistic-normal for causes of return answers, computed without metakit by tests/reference/logistic_normal/.
# Status: computed. All counts are invented. Made by: python tests/reference/generate_logistic_normal.py
# Model and priors: tests/simulation/causes_protocol.md. counts: causes, then studies.
# Each figure is [value, error]: of grids, how far a coarser grid was; of chains, one Monte Carlo standard error.
# share: mean share over centres, a list over causes; new_centre: the share in a new centre; quantiles: 2.5, 50, 97.5 %.
"""
FINE = {
    2: grid.Fineness(step=0.1, tau_step=0.1),
    3: grid.Fineness(step=0.15, tau_step=0.1, reach=42, nodes=16),
}
COARSER = {
    2: grid.Fineness(step=0.14, tau_step=0.125, reach=42),
    3: grid.Fineness(step=0.2, tau_step=0.125, reach=36, nodes=20),
}
CHECK = chain.Length(iterations=6000, leapfrog=16, keep=4)
LENGTHS = {
    5: chain.Length(iterations=40000, keep=4),
    8: chain.Length(iterations=30000, keep=4),
    14: chain.Length(iterations=24000, keep=4),
}


def seed_of(case: str) -> int:
    """Return the seed of a case's chains."""
    return zlib.crc32(case.encode())


def figure(value: float, error: float, digits: int) -> list[float]:
    """Return value and error as written."""
    return [float(f"{value:.{digits}g}"), float(f"{error:.2g}")]


def by_grid(counts: cases.Counts) -> dict[str, Any]:
    """Answer on two grids."""
    fine, coarse = FINE[len(counts)], COARSER[len(counts)]
    best, other = grid.answers(counts, fine), grid.answers(counts, coarse)
    record: dict[str, Any] = {"method": "grid", "fineness": asdict(fine), "coarser": asdict(coarse)}
    for what, items in best.items():
        record[what] = [
            {
                "mean": figure(a.mean, abs(a.mean - b.mean), 9),
                "quantiles": [
                    figure(x, abs(x - y), 8) for x, y in zip(a.quantiles, b.quantiles, strict=True)
                ],
            }
            for a, b in zip(items, other[what], strict=True)
        ]
    return record


def by_chains(counts: cases.Counts, seed: int, length: chain.Length) -> dict[str, Any]:
    """Answer by chains."""
    record: dict[str, Any] = {"method": "chains", "seed": seed, "length": asdict(length)}
    for what, items in chain.answers(counts, seed, length).items():
        record[what] = [
            {
                "mean": figure(one.mean.value, one.mean.error, 6),
                "quantiles": [figure(q.value, q.error, 6) for q in one.quantiles],
                "rhat": round(one.rhat, 4),
                "effective": round(one.effective),
                "effective_in_tails": round(one.effective_tails),
            }
            for one in items
        ]
    return record


def standard_errors_off(truth: dict[str, Any], seen: dict[str, Any]) -> list[float]:
    """Return how many of their standard errors the chains' figures are off, one number a figure."""
    off = []
    for what in ("share", "new_centre", "tau"):
        for a, b in zip(truth[what], seen[what], strict=True):
            for (value, _), (drawn, error) in zip(
                [a["mean"], *a["quantiles"]], [b["mean"], *b["quantiles"]], strict=True
            ):
                off.append((drawn - value) / error)
    return off


def record_of(case: str) -> dict[str, Any]:
    """Answer one case."""
    counts, seed = cases.ALL[case], seed_of(case)
    if case in cases.LARGE:
        return {"counts": counts, **by_chains(counts, seed, LENGTHS[len(counts)])}
    record = {"counts": counts, **by_grid(counts)}
    off = standard_errors_off(record, by_chains(counts, seed, CHECK))
    record["chains"] = {
        "seed": seed,
        "length": asdict(CHECK),
        "figures": len(off),
        "root_mean_square_off": round((sum(x * x for x in off) / len(off)) ** 0.5, 2),
        "furthest_off": round(max(off, key=abs), 2),
    }
    return record


def write(found: dict[str, Any], path: Path) -> None:
    """Write all cases in their order; rows of numbers on one line."""
    ordered = {case: found[case] for case in cases.ALL if case in found}
    text = yaml.safe_dump({"cases": ordered}, sort_keys=False, default_flow_style=None, width=110)
    path.write_text(HEAD + text, encoding="utf-8")


def main() -> None:
    """Answer the cases asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("beginnings", nargs="*", metavar="case", help="beginnings of names; default: all")
    parser.add_argument("--to", type=Path, default=ANSWERS, help="file; default: %(default)s")
    chosen = parser.parse_args()
    wanted = [case for case in cases.ALL if case.startswith(tuple(chosen.beginnings) or "")]
    for case in wanted:
        started = time.process_time()
        record = record_of(case)
        found = yaml.safe_load(chosen.to.read_text(encoding="utf-8"))["cases"] if chosen.to.exists() else {}
        write({**found, case: record}, chosen.to)
        print(f"{case}: {time.process_time() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main()
