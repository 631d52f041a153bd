"""Speed of networks and how it grows, as ratios against a dense weighted regression of statsmodels in the same run.

Run: `OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.network`. Targets (issue 6): 20 techniques
with 200 studies under 0.5 seconds, 100 techniques with 1,000 studies under 5 seconds of one core, for the model; here
everything that `metakit network` says is timed as well.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import statsmodels.api as sm

from metakit.networks.analysis import analyse_network
from metakit.networks.arms import NetworkArms, arms_from_counts_or_means
from metakit.networks.inconsistency import inconsistency
from metakit.networks.model import connected_parts, fit_part


def random_rows(techniques: int, studies: int) -> list[tuple[str, str]]:
    """Return the arms of studies that compare two to four techniques."""
    generator = np.random.default_rng(2)
    rows = []
    for number in range(studies):
        size = int(generator.integers(2, 5))
        rows += [
            (f"s{number}", f"t{name}") for name in generator.choice(techniques, size=size, replace=False)
        ]
    return rows


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Return the shortest of some runs."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def arm_values(techniques: int, studies: int) -> NetworkArms:
    """Return a random network of arm values."""
    rows = random_rows(techniques, studies)
    generator = np.random.default_rng(3)
    return NetworkArms(
        measure="mean_difference",
        study=tuple(row[0] for row in rows),
        technique=tuple(row[1] for row in rows),
        value=generator.normal(0, 1, len(rows)),
        variance=generator.uniform(0.05, 1, len(rows)),
        thumbs=np.full(len(rows), np.nan),
        data={},
    )


def arm_counts(techniques: int, studies: int) -> NetworkArms:
    """Return a random network of counts with about 5 % of events."""
    rows = random_rows(techniques, studies)
    generator = np.random.default_rng(4)
    total = generator.integers(40, 200, len(rows))
    data = {"events": generator.binomial(total, 0.05).astype(float), "total": total.astype(float)}
    return arms_from_counts_or_means("odds_ratio", [row[0] for row in rows], [row[1] for row in rows], data)


def measure(techniques: int, studies: int, repeats: int) -> None:
    """Print one size of network."""
    arms = arm_values(techniques, studies)
    part = fit_part(connected_parts(arms)[0])
    model = seconds(lambda: fit_part(connected_parts(arms)[0]), repeats)
    split = seconds(lambda: inconsistency(part), repeats)
    whole = seconds(lambda: analyse_network(arms, lower_is_better=True).to_json(), repeats)
    n = len(arms.study)
    x = np.zeros((n, techniques + studies))
    x[np.arange(n), [int(name[1:]) for name in arms.technique]] = 1
    x[np.arange(n), techniques + np.array([int(name[1:]) for name in arms.study])] = 1
    dense = seconds(lambda: sm.WLS(arms.value, x[:, 1:], weights=1 / arms.variance).fit(), 1)
    print(
        f"{techniques:>4} techniques {studies:>5} studies: REML model {model:.3f} s, all node-splits and tests "
        f"{split:.3f} s, everything {whole:.2f} s; one dense statsmodels WLS {dense:.3f} s "
        f"(model / WLS {model / dense:.2f}, everything / WLS {whole / dense:.2f})"
    )


def rare(techniques: int, studies: int, repeats: int) -> None:
    """Print the models for rare events against one logistic regression with study dummies."""
    arms = arm_counts(techniques, studies)
    times = {
        name: seconds(lambda name=name: analyse_network(arms, model=name), repeats)
        for name in ("mantel_haenszel", "one_stage_common_effect", "one_stage")
    }
    events, total = arms.data["events"], arms.data["total"]
    x = np.zeros((len(arms.study), len(arms.techniques) - 1 + len(arms.studies)))
    for row, (study, technique) in enumerate(zip(arms.study_index, arms.technique, strict=True)):
        place = arms.techniques.index(technique)
        if place:
            x[row, place - 1] = 1
        x[row, len(arms.techniques) - 1 + study] = 1
    counts = np.column_stack([events, total - events])
    glm = seconds(lambda: sm.GLM(counts, x, family=sm.families.Binomial()).fit(), 1)
    told = ", ".join(f"{name} {value:.2f} s ({value / glm:.2f})" for name, value in times.items())
    print(
        f"{techniques:>4} techniques {studies:>5} studies of counts: {told}; one statsmodels GLM {glm:.3f} s"
    )


if __name__ == "__main__":
    for size in ((5, 20, 5), (10, 100, 3), (20, 200, 3), (50, 500, 1), (100, 1000, 1)):
        measure(*size)
    for size in ((5, 20, 3), (10, 100, 2), (20, 200, 1)):
        rare(*size)
