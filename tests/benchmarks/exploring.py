"""Speed of all-subsets pooling and of networks, as ratios against statsmodels in the same run.

Run: `python -m tests.benchmarks.exploring`. Targets (issues 5 and 6): 1,048,575 DerSimonian-Laird fits of 20 studies at least
100 times faster a fit than a loop of statsmodels `combine_effects`; 100 techniques with 1,000 studies under 5 seconds
of one core, 20 techniques with 200 studies under 0.5 seconds.
"""

from __future__ import annotations

import resource
import time
import warnings

import numpy as np
import statsmodels.api as sm
from statsmodels.stats.meta_analysis import combine_effects

from metakit.core.effects import EffectTable
from metakit.models.all_subsets import all_subsets, membership, pool_piece
from metakit.network.arms import NetworkArms
from metakit.network.inconsistency import inconsistency
from metakit.network.model import connected_parts, fit_part


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


def network(techniques: int, studies: int, target: float) -> None:
    """Print the time of one network with its inconsistency against one dense weighted regression of the same size."""
    generator = np.random.default_rng(2)
    study, technique = [], []
    for number in range(studies):
        size = int(generator.integers(2, 5))
        for name in generator.choice(techniques, size=size, replace=False):
            study.append(f"s{number}")
            technique.append(f"t{name}")
    n = len(study)
    arms = NetworkArms(
        measure="mean_difference", study=tuple(study), technique=tuple(technique), value=generator.normal(0, 1, n),
        variance=generator.uniform(0.05, 1, n), thumbs=np.full(n, np.nan), data={},
    )  # fmt: skip
    start = time.perf_counter()
    part = fit_part(connected_parts(arms)[0])
    fitted = time.perf_counter() - start
    start = time.perf_counter()
    if studies <= 200:
        inconsistency(part)
    split = time.perf_counter() - start
    x = np.zeros((n, techniques + studies))
    x[np.arange(n), [int(name[1:]) for name in technique]] = 1
    x[np.arange(n), techniques + np.array([int(name[1:]) for name in study])] = 1
    start = time.perf_counter()
    sm.WLS(arms.value, x[:, 1:], weights=1 / arms.variance).fit()
    dense = time.perf_counter() - start
    print(f"{techniques:>4} techniques {studies:>5} studies: REML network {fitted:.2f} s (target {target}), "
          f"with node-splitting {fitted + split:.2f} s; one dense statsmodels WLS {dense:.2f} s")  # fmt: skip


if __name__ == "__main__":
    subsets()
    for size in ((5, 20, 0.5), (20, 200, 0.5), (50, 500, 5.0), (100, 1000, 5.0)):
        network(*size)
