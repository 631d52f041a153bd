"""Speed of the one-stage binomial-normal fit, with one statsmodels logistic GLM fit on the same data as yardstick.

Run with `python -m tests.benchmarks.one_stage`. Target (issue 3): 30 studies in less than 20 GLM fits. The data are
invented (seeded random numbers). Calls of one comparison take turns and the best of many is kept, so that a busy
machine hurts both sides alike.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence

import numpy as np
import statsmodels.api as sm

from metakit.measures.tables import effect_sizes
from metakit.models.of_counts.one_stage import fit as pool_one_stage
from metakit.models.registry import PoolOptions
from metakit.numerics.of_counts.one_stage_fit import fit_latent
from metakit.numerics.of_counts.one_stage_models import binomial_normal
from metakit.numerics.of_counts.one_stage_profile import profile_limits

TARGET = 20.0
Z2 = np.array([3.841458820694124])


def series(k: int, *, batch: int = 1, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Return invented events and totals: 4 % on average, tau 0.5, 20 to 120 thumbs a study."""
    rng = np.random.default_rng(seed)
    total = rng.integers(20, 121, size=(batch, k)).astype(float)
    risk = 1 / (1 + np.exp(-(np.log(0.04 / 0.96) + 0.5 * rng.standard_normal((batch, k)))))
    events = rng.binomial(total.astype(int), risk).astype(float)
    events[events.sum(axis=1) == 0, 0] = 1.0
    return events, total


def best_of(calls: Sequence[Callable[[], object]], *, rounds: int, inner: int) -> list[float]:
    """Return the best seconds a call, the calls taking turns."""
    best = [np.inf] * len(calls)
    for _ in range(rounds):
        for index, call in enumerate(calls):
            start = time.perf_counter()
            for _ in range(inner):
                call()
            best[index] = min(best[index], (time.perf_counter() - start) / inner)
    return best


def single(rounds: int) -> float:
    """One series of k studies; return the ratio at k = 30."""
    print("One series, milliseconds a call (target at k = 30: fit / GLM below 20)")
    print(
        f"{'k':>6} {'GLM':>8} {'fit':>8} {'ratio':>8} {'with profile':>13} {'ratio':>8} {'pool':>8} {'ratio':>8}"
    )
    at_30 = np.nan
    for k in (5, 30, 300):
        events, total = series(k)
        both = np.column_stack([events[0], total[0] - events[0]])
        table = {
            "study": [str(i) for i in range(k)],
            "events": events[0].astype(int),
            "total": total[0].astype(int),
        }
        effects = effect_sizes(table, measure="proportion")

        def only_fit(events: np.ndarray = events, total: np.ndarray = total) -> object:
            prepared = binomial_normal(events, total)
            return fit_latent(prepared.model, prepared.beta, prepared.intercepts)

        def with_profile(events: np.ndarray = events, total: np.ndarray = total) -> object:
            prepared = binomial_normal(events, total)
            fit = fit_latent(prepared.model, prepared.beta, prepared.intercepts)
            return profile_limits(prepared.model, fit, parameter=0, cutoff=Z2)

        def glm(both: np.ndarray = both, k: int = k) -> object:
            return sm.GLM(both, np.ones((k, 1)), family=sm.families.Binomial()).fit()

        def whole(effects: object = effects) -> object:
            return pool_one_stage(effects, PoolOptions())  # type: ignore[arg-type]

        there, fitted, profiled, pooled = best_of(
            [glm, only_fit, with_profile, whole], rounds=rounds, inner=5
        )
        print(
            f"{k:>6} {1e3 * there:>8.2f} {1e3 * fitted:>8.2f} {fitted / there:>8.1f} {1e3 * profiled:>13.2f} "
            f"{profiled / there:>8.1f} {1e3 * pooled:>8.2f} {pooled / there:>8.1f}"
        )
        if k == 30:
            at_30 = fitted / there
    return at_30


def batches() -> None:
    """Many series at once, and growth with k."""
    print("\nBatch of series of 10 studies (fit only), microseconds an analysis")
    for batch in (1, 10, 100, 1000, 5000):
        events, total = series(10, batch=batch)
        start = time.perf_counter()
        prepared = binomial_normal(events, total)
        fit_latent(prepared.model, prepared.beta, prepared.intercepts)
        print(f"{batch:>8} {1e6 * (time.perf_counter() - start) / batch:>12.0f}")
    print("\nGrowth with k (fit only), microseconds a study")
    for k in (30, 300, 3000, 30_000):
        events, total = series(k)
        start = time.perf_counter()
        prepared = binomial_normal(events, total)
        fit_latent(prepared.model, prepared.beta, prepared.intercepts)
        print(f"{k:>8} {1e6 * (time.perf_counter() - start) / k:>12.1f}")


if __name__ == "__main__":
    ratio = single(rounds=20)
    batches()
    print(f"\nratio at k = 30: {ratio:.1f} (target below {TARGET:g})")
    sys.exit(0 if ratio < TARGET else 1)
