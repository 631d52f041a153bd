"""Candidates for the model of causes, judged as causes_protocol.md says.

    python -m tests.simulation.causes [repeats]

writes tests/simulation/causes_results.csv. All data are invented (seeded random numbers).
"""

from __future__ import annotations

import csv
import sys
import time
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

import numpy as np
from scipy import special, stats

from metakit.core.effects import FloatArray
from metakit.numerics.posteriors.causes import shares
from metakit.numerics.posteriors.causes_limits import new_centre_parts, share_parts

HERE = Path(__file__).resolve().parent
REPEATS = 100
MEAN_SHARES = np.array([0.50, 0.30, 0.15, 0.05])
KINDS = np.array([[0.72, 0.16, 0.08, 0.04], [0.28, 0.44, 0.22, 0.06]])
PRECISION = {"small": 50.0, "large": 6.0}
SPREAD = {"small": 0.3, "large": 0.8}
FEWEST, MOST = 2, 20
IMPORTANCE_DRAWS, POINTS = 1000, 64
LIMITS = np.array([0.025, 0.975])


@dataclass(frozen=True, slots=True)
class Cell:
    """One scenario."""

    k: int
    mechanism: str
    spread: str

    def rng(self) -> np.random.Generator:
        """Seeded by the cell's names."""
        return np.random.default_rng(zlib.crc32(repr((self.k, self.mechanism, self.spread)).encode()))


@dataclass(slots=True)
class Line:
    """What is counted for one cell, candidate and cause; shares of the data sets."""

    k: int
    mechanism: str
    spread: str
    candidate: str
    cause: int
    truth: float
    repeats: int
    coverage: float
    new_coverage: float
    bias: float
    mean_width: float


def cells() -> Iterator[Cell]:
    """Yield the 24 cells."""
    for k in (2, 3, 5, 8):
        yield Cell(k, "equal", "none")
        for mechanism in ("dirichlet", "logistic"):
            for spread in PRECISION:
                yield Cell(k, mechanism, spread)
        yield Cell(k, "two_kinds", "large")


def study_shares(cell: Cell, size: int, rng: np.random.Generator) -> FloatArray:
    """Draw the shares of centres, shape (size, 4)."""
    if cell.mechanism == "dirichlet":
        return rng.dirichlet(PRECISION[cell.spread] * MEAN_SHARES, size=size)
    if cell.mechanism == "logistic":
        z = rng.standard_normal((size, len(MEAN_SHARES)))
        return special.softmax(np.log(MEAN_SHARES) + SPREAD[cell.spread] / np.sqrt(2) * z, axis=-1)
    if cell.mechanism == "two_kinds":
        return KINDS[rng.integers(2, size=size)]
    return np.broadcast_to(MEAN_SHARES, (size, len(MEAN_SHARES)))


def truth(cell: Cell) -> FloatArray:
    """Return the mean shares over centres; of the logistic mechanism by two million draws."""
    if cell.mechanism == "two_kinds":
        return KINDS.mean(axis=0)
    if cell.mechanism != "logistic":
        return MEAN_SHARES
    return study_shares(cell, 2_000_000, np.random.default_rng(1)).mean(axis=0)


# --- candidates: limits of the mean shares and of a new centre's, shape (4,) each ----------------


@dataclass(frozen=True, slots=True)
class Answer:
    """Posterior means, limits (2, causes), and the probability of shares in a new centre below those it has."""

    mean: FloatArray
    limits: FloatArray
    below: FloatArray
    redone: bool = False


def dirichlet_multinomial(counts: FloatArray, new: FloatArray) -> Answer:
    """The candidate that is shipped."""
    found = shares(counts)
    every = range(len(counts))
    limits = np.array([share_parts(found, c).quantiles(LIMITS) for c in every]).T
    place = special.logit(np.clip(new, 1e-12, 1 - 1e-12))[:, None]
    below = np.array([new_centre_parts(found, c).below(place[c])[0] for c in every])
    return Answer(found.mean, limits, below)


def weighted_quantiles(values: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the two limits of a weighted sample."""
    order = np.argsort(values)
    cumulated = np.cumsum(weight[order])
    return np.asarray(values[order][np.searchsorted(cumulated / cumulated[-1], LIMITS)])


_SOBOL = stats.norm.ppf(
    np.clip(stats.qmc.Sobol(d=len(MEAN_SHARES), scramble=True, seed=7).random(POINTS), 1e-9, 1 - 1e-9)
)


def logistic_normal(
    counts: FloatArray, new: FloatArray, *, draws: int = IMPORTANCE_DRAWS, least: float = 0.0
) -> Answer:
    """Importance sampling: centre's shares and tau from a wide proposal, studies by quasi-random points.

    The proposal of the shares is as vague as a Dirichlet-multinomial of the same spread leaves them, and half more.
    Where fewer than `least` draws count (Kish's effective number), it is done again with five times as many.
    """
    causes = len(counts)
    rng = np.random.default_rng(11)
    crowd, returns = counts.sum(axis=1), counts.sum(axis=0)
    tau = np.abs(rng.standard_normal(draws))
    alike = 1 / (1 + 4 / tau**2)
    effective = (returns / (1 + (returns - 1) * alike[:, None])).sum(axis=1)
    alpha = 1 / causes + crowd / crowd.sum() * (effective / 1.5)[:, None]
    middle = np.maximum(rng.standard_gamma(alpha), 1e-300)
    middle /= middle.sum(axis=1, keepdims=True)
    log_proposal = special.gammaln(alpha.sum(axis=1)) - special.gammaln(alpha).sum(axis=1)
    log_weight = ((1 / causes - alpha) * np.log(middle)).sum(axis=1) - log_proposal
    eta = np.log(middle)[:, None, :] + (tau / np.sqrt(2))[:, None, None] * _SOBOL
    eta -= eta.max(axis=-1, keepdims=True)
    every = np.exp(eta)  # draws, points, causes
    whole = every.sum(axis=-1, keepdims=True)
    every /= whole
    log_shares = eta - np.log(whole)
    for study in counts.T:
        seen = np.flatnonzero(study)
        log_study = log_shares[..., seen] @ study[seen]
        top = log_study.max(axis=1)
        log_weight += top + np.log(np.exp(log_study - top[:, None]).sum(axis=1))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    if 1 / float(weight @ weight) < least:
        return replace(logistic_normal(counts, new, draws=5 * draws), redone=True)
    mean_shares = every.mean(axis=1)
    return Answer(
        weight @ mean_shares,
        np.array([weighted_quantiles(mean_shares[:, c], weight) for c in range(causes)]).T,
        weight @ (every <= new).mean(axis=1),
    )


def pooled(counts: FloatArray, new: FloatArray) -> Answer:
    """All returns in one pot, exact binomial limits."""
    crowd = counts.sum(axis=1)
    n = crowd.sum()
    lower = special.betaincinv(np.maximum(crowd, 1e-9), n - crowd + 1, 0.025)
    upper = special.betaincinv(crowd + 1, np.maximum(n - crowd, 1e-9), 0.975)
    limits = np.array([np.where(crowd == 0, 0.0, lower), np.where(crowd == n, 1.0, upper)])
    return Answer(crowd / n, limits, np.full(len(new), np.nan))


CANDIDATES = {
    "dirichlet_multinomial": dirichlet_multinomial,
    "logistic_normal": logistic_normal,
    "pooled": pooled,
}


def run(cell: Cell, repeats: int) -> Iterator[Line]:
    """Draw, answer and count one cell."""
    rng, goal = cell.rng(), truth(cell)
    answers: dict[str, list[Answer]] = {name: [] for name in CANDIDATES}
    new_shares = []
    for _ in range(repeats):
        returns = rng.integers(FEWEST, MOST + 1, size=cell.k)
        counts = rng.multinomial(returns, study_shares(cell, cell.k, rng)).T.astype(float)
        new_shares.append(study_shares(cell, 1, rng)[0])
        for name, candidate in CANDIDATES.items():
            answers[name].append(candidate(counts, new_shares[-1]))
    for name, rows in answers.items():
        mean, limits, below = (
            np.array([getattr(row, part) for row in rows]) for part in ("mean", "limits", "below")
        )
        covered = (limits[:, 0] <= goal) & (goal <= limits[:, 1])
        inside = (LIMITS[0] <= below) & (below <= LIMITS[1])
        for c, share in enumerate(goal):
            yield Line(
                cell.k, cell.mechanism, cell.spread, name, c + 1, float(share), repeats,
                float(covered[:, c].mean()),
                float("nan") if name == "pooled" else float(inside[:, c].mean()),
                float(mean[:, c].mean() - share),
                float((limits[:, 1] - limits[:, 0])[:, c].mean()),
            )  # fmt: skip


def main(repeats: int) -> None:
    """Run every cell and write the lines."""
    lines = []
    for cell in cells():
        started = time.process_time()
        lines += list(run(cell, repeats))
        print(cell, f"{time.process_time() - started:.0f} s", flush=True)
    with (HERE / "causes_results.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [field.name for field in fields(Line)], lineterminator="\n")
        writer.writeheader()
        for line in lines:
            row = asdict(line)
            writer.writerow(
                {key: f"{value:.4f}" if isinstance(value, float) else value for key, value in row.items()}
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS)
