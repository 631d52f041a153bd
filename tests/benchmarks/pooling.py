"""Speed of the pooling kernels, with statsmodels' combine_effects in the same run as the yardstick.

Run with `python -m tests.benchmarks.pooling`. The data are invented (seeded random numbers). Times of one comparison
are taken in turns and the best of many is kept, so that a busy machine hurts both sides alike.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence

import numpy as np
from statsmodels.stats.meta_analysis import combine_effects

from metakit.models.batch import random_effects_batch
from metakit.models.pool import pool
from metakit.numerics.posteriors.half_normal_effects import half_normal_effects

BATCH = 100_000
K = 10

Call = Callable[[], object]


def studies(*shape: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Return invented effects and variances: tau2 0.1, sampling variances of trials of 20 to 200 thumbs."""
    rng = np.random.default_rng(seed)
    variance = rng.uniform(0.02, 0.4, shape)
    return rng.normal(0.3, 1.0, shape) * np.sqrt(variance + 0.1), variance


def best_of(calls: Sequence[Call], *, rounds: int, inner: int) -> list[float]:
    """Return the best seconds a call, the calls taking turns."""
    best = [np.inf] * len(calls)
    for _ in range(rounds):
        for index, call in enumerate(calls):
            start = time.perf_counter()
            for _ in range(inner):
                call()
            best[index] = min(best[index], (time.perf_counter() - start) / inner)
    return best


def single_calls(rounds: int) -> None:
    """One analysis: REML, Hartung-Knapp and prediction interval against DerSimonian-Laird there."""
    print("One analysis, microseconds a call (target: ratio not above 1)")
    print(
        f"{'k':>6} {'there: effects':>15} {'with intervals':>15} {'REML here':>10} {'DL here':>10} {'ratio':>14}"
    )
    for k in (5, 13, 50, 1000):
        y, v = studies(k)
        there, with_intervals, reml, dl = best_of(
            [
                lambda y=y, v=v: combine_effects(y, v, method_re="dl"),
                lambda y=y, v=v: combine_effects(y, v, method_re="dl").conf_int(),
                lambda y=y, v=v: random_effects_batch(y, v),
                lambda y=y, v=v: random_effects_batch(y, v, tau2="dersimonian_laird"),
            ],
            rounds=rounds,
            inner=50,
        )
        ratios = f"{reml / there:.2f} / {reml / with_intervals:.2f}"
        numbers = " ".join(
            f"{1e6 * seconds:>{width}.1f}"
            for seconds, width in ((there, 15), (with_intervals, 15), (reml, 10), (dl, 10))
        )
        print(f"{k:>6} {numbers} {ratios:>14}")
    print(
        "  'there' is statsmodels' DerSimonian-Laird call without and with its intervals; 'here' always has them.\n"
    )


def batches(rounds: int) -> None:
    """A batch of analyses against a loop over statsmodels."""
    y, v = studies(BATCH, K)
    sample = 300

    def loop() -> None:
        for row in range(sample):
            combine_effects(y[row], v[row], method_re="dl")

    print(f"{BATCH:,} analyses of {K} studies, microseconds an analysis")
    print(
        f"{'estimator':>24} {'statsmodels':>12} {'here':>9} {'times faster':>13} {'target':>7} {'peak MB':>8}"
    )
    for tau2, target in (("dersimonian_laird", 200), ("reml", 20), ("paule_mandel", None)):
        there, here = best_of(
            [loop, lambda tau2=tau2: random_effects_batch(y, v, tau2=tau2)], rounds=rounds, inner=1
        )
        tracemalloc.start()
        random_effects_batch(y, v, tau2=tau2)
        peak = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        there, here = 1e6 * there / sample, 1e6 * here / BATCH
        print(f"{tau2:>24} {there:>12.1f} {here:>9.3f} {there / here:>13.0f} {target or '-':>7} {peak:>8.0f}")
    print(
        "  Each with Hartung-Knapp interval (floored) and prediction interval. The input itself takes 15 MB.\n"
    )


def default_answers(rounds: int) -> None:
    """The default inference: one answer with all that stands beside it, and a batch without."""
    y, v = studies(13)
    many_y, many_v = studies(BATCH // 10, K)
    there, one = best_of(
        [lambda: combine_effects(y, v, method_re="dl"), lambda: pool(effect=y, variance=v)],
        rounds=rounds,
        inner=20,
    )
    (batch,) = best_of([lambda: half_normal_effects(many_y, many_v, spread=False)], rounds=3, inner=1)
    each = batch / len(many_y)
    print("Default inference against statsmodels' DerSimonian-Laird call (k = 13)")
    print(f"  one answer with its companions: {one / there:.1f} times (target 20)")
    print(f"  each of a batch of answers of {K} studies: {each / there:.2f} times (target 1)\n")


def growth() -> None:
    """Cost against the number of studies and the size of the batch."""
    print("Growth with k (one REML analysis)")
    print(f"{'k':>8} {'milliseconds':>13} {'nanoseconds a study':>20} {'peak MB':>8}")
    for k in (5, 50, 500, 5_000, 50_000, 100_000):
        y, v = studies(k, seed=k)
        (seconds,) = best_of(
            [lambda y=y, v=v: random_effects_batch(y, v)], rounds=7, inner=1 if k > 1000 else 20
        )
        tracemalloc.start()
        random_effects_batch(y, v)
        peak = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        print(f"{k:>8} {1e3 * seconds:>13.3f} {1e9 * seconds / k:>20.1f} {peak:>8.1f}")
    print(f"\nGrowth with the batch (REML, {K} studies)")
    print(f"{'analyses':>8} {'milliseconds':>13} {'microseconds each':>18}")
    for rows in (1, 10, 100, 1_000, 10_000, 100_000):
        y, v = studies(rows, K, seed=rows)
        (seconds,) = best_of(
            [lambda y=y, v=v: random_effects_batch(y, v)], rounds=7, inner=1 if rows > 1000 else 10
        )
        print(f"{rows:>8} {1e3 * seconds:>13.3f} {1e6 * seconds / rows:>18.3f}")


def main(rounds: int = 15) -> None:
    """Print all tables."""
    single_calls(rounds)
    batches(max(3, rounds // 3))
    default_answers(rounds)
    growth()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 15)
