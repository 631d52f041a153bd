"""Speed of all-subsets pooling and of one event more or less, as ratios against statsmodels in the same run.

Run: `python -m tests.benchmarks.exploring`. Target (issue 5): 1,048,575 DerSimonian-Laird fits of 20 studies at least
100 times faster a fit than a loop of statsmodels `combine_effects`.
"""

from __future__ import annotations

import resource
import time
import warnings

import numpy as np
from statsmodels.stats.meta_analysis import combine_effects

from metakit.core.effects import EffectTable
from metakit.measures.tables import effect_sizes
from metakit.models.differing.all_subsets import all_subsets, membership, pool_piece
from metakit.models.differing.fragility import fragility
from metakit.models.pool import pool


def subsets() -> None:
    """Print the ratios of all-subsets pooling."""
    generator = np.random.default_rng(1)
    k = 20
    y, v = generator.normal(0, 0.5, k), generator.uniform(0.02, 0.4, k)
    table = EffectTable(
        measure="generic", scale="identity", study=tuple(map(str, range(k))), effect=y, variance=v,
        estimable=np.ones(k, dtype=bool),
    )  # fmt: skip
    present = membership(0, k, True, 0)
    start = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for row in present[5000:5400]:
            combine_effects(y[row], v[row], method_re="chi2")
    there = (time.perf_counter() - start) / 400
    start = time.perf_counter()
    found = all_subsets(table)
    here = (time.perf_counter() - start) / len(found.estimate)
    start = time.perf_counter()
    piece = pool_piece(3, effect=y, variance=v, tau2="reml", exhaustive=True, seed=0)
    reml = (time.perf_counter() - start) / len(piece[0])
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"all subsets of {k} studies: {len(found.estimate):,} fits; peak memory of the process {memory:.2f} GB"
    )
    print(f"  statsmodels {1e6 * there:.0f} us a fit; here {1e6 * here:.2f} us (DerSimonian-Laird, {there / here:.0f} times faster;"
          f" target 100), {1e6 * reml:.2f} us (REML, {there / reml:.0f} times faster)")  # fmt: skip


def one_event() -> None:
    """Print what one event more and less in every arm of ten studies costs (target: 100 calls there)."""
    generator = np.random.default_rng(2)
    k = 10
    total_1, total_2 = generator.integers(40, 120, (2, k))
    table = effect_sizes(
        {
            "study": [f"s{n}" for n in range(k)],
            "events_1": generator.binomial(total_1, 0.10),
            "total_1": total_1,
            "events_2": generator.binomial(total_2, 0.18),
            "total_2": total_2,
        },
        measure="risk_ratio",
        zero_cells="treatment_arm",
    )
    result = pool(table, model="half_normal")

    def seconds(call, repeats: int) -> float:
        call()
        start = time.perf_counter()
        for _ in range(repeats):
            call()
        return (time.perf_counter() - start) / repeats

    there = seconds(lambda: combine_effects(table.effect, table.variance, method_re="chi2"), 200)
    here = seconds(lambda: fragility(table, result), 50)
    print(f"one event more and less in each arm of {k} studies: {1e3 * here:.2f} ms, {here / there:.0f} calls of "
          f"statsmodels' DerSimonian-Laird (target: at most 100)")  # fmt: skip


if __name__ == "__main__":
    subsets()
    one_event()
