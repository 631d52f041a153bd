"""Ranking, never without its uncertainty.

Sources: Rücker & Schwarzer 2015 (P-score), Salanti 2011 (rank probabilities), by seeded draws from the
estimates' joint normal distribution, or from that at each tau in proportion to its posterior weight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.networks.model import NetworkPart

DRAWS = 100_000
SEED = 20260302
CHUNK = 5_000
"""Draws held at once."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ranking:
    """P-scores (t,), rank probabilities (t, t), mean ranks (t,) and 95 % rank intervals (t, 2).

    Rows of `rank_probabilities` are techniques, columns are ranks, the best first.
    """

    techniques: tuple[str, ...]
    p_scores: FloatArray
    rank_probabilities: FloatArray
    mean_ranks: FloatArray
    rank_intervals: FloatArray
    lower_is_better: bool


def rank(part: NetworkPart, *, lower_is_better: bool, draws: int = DRAWS, seed: int = SEED) -> Ranking:
    """Rank the techniques of one part.

    Parameters
    ----------
    part : NetworkPart
    lower_is_better : bool
        True where a smaller effect is better (complications).
    draws, seed : int
        Number and seed of the draws behind the rank probabilities.
    """
    sign = -1.0 if lower_is_better else 1.0
    count = len(part.techniques)
    if part.posterior is None:
        layers = [(1.0, sign * part.effects, part.covariance)]
    else:
        given = part.posterior.given
        layers = [
            (float(weight), sign * effects, covariance)
            for weight, effects, covariance in zip(
                part.posterior.weight, given.coefficients, given.covariance, strict=True
            )
        ]
    better = np.zeros((count, count))
    for weight, effects, covariance in layers:
        better += weight * _better(effects, covariance)
    generator = np.random.default_rng(seed)
    places = np.zeros(count * count, dtype=np.int64)
    for size, (_, effects, covariance) in zip(
        _shares([weight for weight, *_ in layers], draws), layers, strict=True
    ):
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.clip(values, 0.0, None))
        for start in range(0, size, CHUNK):
            some = min(CHUNK, size - start)
            sample = effects + generator.standard_normal((some, count)) @ root.T
            order = np.argsort(-sample, axis=1)
            places += np.bincount((order * count + np.arange(count)).ravel(), minlength=count * count)
    probabilities = places.reshape(count, count) / draws
    reached = np.cumsum(places.reshape(count, count), axis=1)
    limits = [np.argmax(reached >= share * draws, axis=1) + 1 for share in (0.025, 0.975)]
    return Ranking(
        techniques=part.techniques,
        p_scores=better.sum(axis=1) / (count - 1),
        rank_probabilities=probabilities,
        mean_ranks=probabilities @ np.arange(1, count + 1),
        rank_intervals=np.array(limits, dtype=float).T,
        lower_is_better=lower_is_better,
    )


def _better(effects: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return the probability that each technique beats each other, given one tau."""
    spread = np.diag(covariance)[:, None] + np.diag(covariance)[None, :] - 2 * covariance
    with np.errstate(divide="ignore", invalid="ignore"):
        better = special.ndtr((effects[:, None] - effects[None, :]) / np.sqrt(spread))
    np.fill_diagonal(better, 0.0)
    return np.asarray(better)


def _shares(weights: list[float], draws: int) -> list[int]:
    """Divide the draws over the values of tau in proportion to their weights."""
    ends = np.rint(draws * np.concatenate(([0.0], np.cumsum(weights) / np.sum(weights)))).astype(int)
    return [int(size) for size in np.diff(ends)]
