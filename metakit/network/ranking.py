"""Ranking, never without its uncertainty.

Sources: Rücker & Schwarzer 2015 (P-score), Salanti 2011 (rank probabilities), by seeded draws from the
estimates' joint normal distribution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.network.model import NetworkPart

DRAWS = 100_000
SEED = 20260302


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
    effects, covariance = sign * part.effects, part.covariance
    count = len(part.techniques)
    spread = np.diag(covariance)[:, None] + np.diag(covariance)[None, :] - 2 * covariance
    with np.errstate(divide="ignore", invalid="ignore"):
        better = special.ndtr((effects[:, None] - effects[None, :]) / np.sqrt(spread))
    np.fill_diagonal(better, 0.0)
    generator = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    sample = effects + generator.standard_normal((draws, count)) @ root.T
    ranks = np.argsort(np.argsort(-sample, axis=1), axis=1) + 1
    probabilities = np.stack([(ranks == place).mean(axis=0) for place in range(1, count + 1)], axis=1)
    return Ranking(
        techniques=part.techniques,
        p_scores=better.sum(axis=1) / (count - 1),
        rank_probabilities=probabilities,
        mean_ranks=ranks.mean(axis=0),
        rank_intervals=np.quantile(ranks, [0.025, 0.975], axis=0, method="inverted_cdf").T.astype(float),
        lower_is_better=lower_is_better,
    )
