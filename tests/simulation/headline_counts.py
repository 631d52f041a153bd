"""The default for counts on one fixed grid for all data sets, for simulation: hundreds a second instead of a few.

Given tau, averaging a study's likelihood over a normal distribution is one product with a matrix that no data set
changes, so that a batch costs matrix products. The grids are coarse; `test_headline.py` holds the limits to those of
`metakit.numerics.posteriors.half_normal_counts` within a hundredth of the interval's width, which no coverage can notice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from metakit.core.effects import BoolArray, FloatArray

CHUNK = 40
TAUS = {False: 14, True: 24}  # two arms, one arm
MANY = 10  # studies from which a finer grid over less is needed
REACH = 4.2  # prior standard deviations of tau that matter


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Nodes of tau with prior weights, of the mean with log prior, of a study's effect, and the averages.

    `spread` has shape (taus, means, effects): row m averages a likelihood over a normal distribution about mean m.
    """

    log_tau: FloatArray
    mean: FloatArray
    log_prior: FloatArray
    effect: FloatArray
    spread: FloatArray


@cache
def grid(family: str, many: bool) -> Grid:
    """Return the grid of a family."""
    one_arm = family == "proportion"
    if one_arm:
        scale, step, low, high, more = (1.0, 0.05, -8.0, 2.0, 5.0) if many else (1.0, 0.08, -17.0, 2.0, 5.0)
    else:
        scale, step, low, high, more = (0.5, 0.07, -5.0, 4.0, 3.0) if many else (0.5, 0.1, -8.0, 7.0, 3.0)
    taus = TAUS[one_arm]
    x, w = special.roots_legendre(taus)
    tau = scale * REACH * (1 + x) / 2
    mean = np.arange(low, high + step / 2, step)
    beyond = int(more / step)
    effect = mean[0] + step * np.arange(-beyond, len(mean) + beyond)
    away = np.rint((effect[None, :] - mean[:, None]) / step)
    spread = np.empty((taus, len(mean), len(effect)))
    for i, t in enumerate(tau):
        if t < 0.8 * step:  # three points with the variance of the normal distribution
            side = (t / step) ** 2 / 2
            spread[i] = np.where(away == 0, 1 - 2 * side, np.where(np.abs(away) == 1, side, 0.0))
        else:
            bell = np.exp(-((away * step / t) ** 2) / 2)
            spread[i] = bell / (t * np.sqrt(2 * np.pi) / step)
    size = np.abs(mean)
    prior = -0.5 * size - np.log1p(np.exp(-size)) if one_arm else -((mean / 2.82) ** 2) / 2
    return Grid(np.log(w) - (tau / scale) ** 2 / 2, mean, prior, effect, spread)


def likelihoods(family: str, columns: Mapping[str, FloatArray], effect: FloatArray) -> FloatArray:
    """Return each study's likelihood on the grid of effects, highest 1, shape (..., effects)."""
    if family == "proportion":
        x, n = columns["events"][..., None], columns["total"][..., None]
        level = x * effect - n * np.logaddexp(0, effect)
    else:
        a, n1, c, n2 = (columns[name][..., None] for name in ("events_1", "total_1", "events_2", "total_2"))
        if family.startswith("odds"):
            level = hypergeometric(a, n1, c, n2, effect)
        else:
            shifted = effect + np.log(n1 / n2)
            level = a * shifted - (a + c) * np.logaddexp(0, shifted)
    return np.asarray(np.exp(level - level.max(axis=-1, keepdims=True)))


def hypergeometric(
    a: FloatArray, n1: FloatArray, c: FloatArray, n2: FloatArray, effect: FloatArray
) -> FloatArray:
    """Return the non-central hypergeometric log-likelihood of the log odds ratio."""
    events = a + c
    total = np.full(np.broadcast_shapes(a.shape, effect.shape), -np.inf)
    for j in range(int(events.max()) + 1):
        inside = (j >= events - n2) & (j <= np.minimum(events, n1))
        ways = np.where(
            inside, log_choose(n1, np.minimum(j, n1)) + log_choose(n2, np.clip(events - j, 0, n2)), -np.inf
        )
        total = np.logaddexp(total, ways + j * effect)
    return a * effect - total


def log_choose(n: FloatArray, k: FloatArray) -> FloatArray:
    """Return the logarithm of a binomial coefficient."""
    return np.asarray(special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1))


def quantile(points: FloatArray, density: FloatArray, p: float) -> FloatArray:
    """Return a quantile of each row of a density that is linear between the points of an even grid."""
    step = points[1] - points[0]
    pieces = (density[:, 1:] + density[:, :-1]) / 2
    cumulated = np.concatenate([np.zeros((len(density), 1)), np.cumsum(pieces, axis=1)], axis=1)
    goal = p * cumulated[:, -1]
    place = np.minimum((cumulated < goal[:, None]).sum(axis=1) - 1, len(points) - 2)
    rows = np.arange(len(density))
    first, last = density[rows, place], density[rows, place + 1]
    rest, slope = goal - cumulated[rows, place], last - first
    root = np.sqrt(np.maximum(first**2 + 2 * slope * rest, 0))
    return np.asarray(points[place] + step * 2 * rest / np.maximum(first + root, 1e-300))


def count_answers(family: str, columns: Mapping[str, FloatArray], here: BoolArray) -> tuple[FloatArray, ...]:
    """Return median, limits and limits for a new centre, shape (R,) each."""
    lay = grid(family, here.shape[-1] >= MANY)
    taus, means = lay.spread.shape[:2]
    flat = lay.spread.reshape(taus * means, -1).T.astype(np.float32)
    found = np.empty((5, len(here)))
    for first in range(0, len(here), CHUNK):
        rows = slice(first, first + CHUNK)
        each = likelihoods(family, {name: column[rows] for name, column in columns.items()}, lay.effect)
        level = np.zeros((len(each), taus * means))
        for study in range(each.shape[1]):
            averaged = np.maximum(each[:, study].astype(np.float32) @ flat, 1e-37)
            level += np.where(here[rows, study, None], np.log(averaged), 0.0)
        level = level.reshape(len(each), taus, means) + lay.log_tau[:, None] + lay.log_prior
        posterior = np.exp(level - level.max(axis=(1, 2), keepdims=True))
        of_mean = posterior.sum(axis=1)
        of_new = np.einsum("rtm,tme->re", posterior, lay.spread, optimize=True)
        found[:, rows] = [
            *(quantile(lay.mean, of_mean, p) for p in (0.5, 0.025, 0.975)),
            *(quantile(lay.effect, of_new, p) for p in (0.025, 0.975)),
        ]
    return tuple(found)
