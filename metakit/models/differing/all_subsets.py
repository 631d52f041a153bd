"""The mean and the spread of every subset of the studies: one cloud, or several.

Source: Olkin, Dahabreh & Trikalinos 2012. All 2^k - 1 subsets up to k = 20, a seeded million of random
subsets beyond. Subsets are numbered, and a range of numbers is one piece of work: pieces are made, pooled
and dropped one after the other, so that memory stays small, and the same pieces give the same numbers in
one process, in many, or on a cluster.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metakit.core.effects import BoolArray, EffectTable, FloatArray
from metakit.core.sharing import Mapper
from metakit.errors import ConvergenceError, NotEstimableError, UnknownNameError
from metakit.models.batch import random_effects_batch

MOST_STUDIES = 20
RANDOM_SUBSETS = 1_000_000
PIECE = 1 << 15
SEED = 20260302
SHARES = (0.0, 0.025, 0.25, 0.5, 0.75, 0.975, 1.0)
"""Quantiles that sum up a cloud of subsets: ends, middle 95 %, middle half, median."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AllSubsets:
    """Pooled answers of the subsets.

    estimate, tau2 : shape (n,), float64; size : shape (n,), number of studies; `exhaustive` says whether
    these are all subsets. `with_study(name)` marks the subsets that hold a study.
    """

    studies: tuple[str, ...]
    estimator: str
    estimate: FloatArray
    tau2: FloatArray
    size: NDArray[np.int16]
    exhaustive: bool
    seed: int

    def with_study(self, study: str) -> BoolArray:
        """Return which subsets hold the study, shape (n,), made anew in pieces.

        Raises
        ------
        UnknownNameError
            With the nearest names.
        """
        if study not in self.studies:
            raise UnknownNameError("study", study, self.studies)
        place = self.studies.index(study)
        k = len(self.studies)
        marks = [membership(number, k, self.exhaustive, self.seed)[:, place] for number in self.pieces()]
        return np.concatenate(marks)[: len(self.estimate)]

    def pieces(self) -> range:
        """Return the numbers of the pieces of work."""
        return range(-(-len(self.estimate) // PIECE))

    def to_json(self, chosen: Sequence[str] = ()) -> dict[str, Any]:
        """Sum up the cloud, and the clouds with and without each chosen study, as quantiles.

        The single values, up to a million, are in `estimate` and `tau2` for a picture.
        """
        marked = []
        for study in chosen:
            inside = self.with_study(study)
            marked.append(
                {
                    "study": study,
                    "with_it": _quantiles(self.estimate[inside]),
                    "without_it": _quantiles(self.estimate[~inside]),
                }
            )
        return {
            "subsets": len(self.estimate),
            "all_of_them": self.exhaustive,
            "seed": None if self.exhaustive else self.seed,
            "tau2_estimator": self.estimator,
            "studies": list(self.studies),
            "estimate": _quantiles(self.estimate),
            "tau2": _quantiles(self.tau2),
            "chosen": marked,
        }


def _quantiles(values: FloatArray) -> dict[str, float]:
    return {
        f"{share:g}": float(value) for share, value in zip(SHARES, np.quantile(values, SHARES), strict=True)
    }


def membership(piece: int, k: int, exhaustive: bool, seed: int) -> BoolArray:
    """Return who is in the subsets of one piece, shape (subsets, k).

    Exhaustive: the binary digits of the numbers from 1. Random: each study with probability one half,
    empty subsets drawn again, from a generator that belongs to the piece.
    """
    if exhaustive:
        first = piece * PIECE + 1
        codes = np.arange(first, min(first + PIECE, 1 << k), dtype=np.int64)
        return ((codes[:, None] >> np.arange(k)) & 1).astype(bool)
    generator = np.random.default_rng([seed, piece])
    count = min(PIECE, RANDOM_SUBSETS - piece * PIECE)
    present = generator.random((count, k)) < 0.5
    while not np.all(present.any(axis=1)):
        empty = np.flatnonzero(~present.any(axis=1))
        present[empty] = generator.random((len(empty), k)) < 0.5
    return present


def pool_piece(
    piece: int, *, effect: FloatArray, variance: FloatArray, tau2: str, exhaustive: bool, seed: int
) -> tuple[FloatArray, FloatArray, NDArray[np.int16]]:
    """Pool the subsets of one piece; return estimates, tau2 and sizes."""
    present = membership(piece, len(effect), exhaustive, seed)
    found = random_effects_batch(effect, variance, present, tau2=tau2, interval="wald", prediction=None)
    if not np.all(found.tau2.converged):
        raise ConvergenceError(f"tau2 by {tau2} did not settle for every subset; use dersimonian_laird")
    return found.mean.estimate, found.tau2.tau2, present.sum(axis=1).astype(np.int16)


def all_subsets(
    table: EffectTable,
    *,
    tau2: str = "dersimonian_laird",
    seed: int = SEED,
    mapper: Mapper = map,
    progress: Callable[[float], None] | None = None,
) -> AllSubsets:
    """Pool every subset of the usable studies, or a seeded million of them beyond 20 studies.

    Parameters
    ----------
    table : EffectTable
    tau2 : str
        A between-study variance estimator; moments are hundreds of times faster than likelihoods.
    mapper : callable, optional
        How pieces are mapped; `core.sharing` gives others.
    progress : callable, optional
        Called with the fraction done.

    Raises
    ------
    NotEstimableError
        With fewer than 3 usable studies.
    """
    usable = table.select(table.estimable)
    k = len(usable)
    if k < 3:
        raise NotEstimableError(f"subsets of {k} studies show nothing (at least 3)")
    exhaustive = k <= MOST_STUDIES
    count = (1 << k) - 1 if exhaustive else RANDOM_SUBSETS
    pieces = range(-(-count // PIECE))
    work = partial(
        pool_piece,
        effect=usable.effect,
        variance=usable.variance,
        tau2=tau2,
        exhaustive=exhaustive,
        seed=seed,
    )
    estimate, between = np.empty(count), np.empty(count)
    size = np.empty(count, dtype=np.int16)
    for piece, answer in zip(pieces, (mapper)(work, pieces), strict=True):
        cut = slice(piece * PIECE, piece * PIECE + len(answer[0]))
        estimate[cut], between[cut], size[cut] = answer
        if progress is not None:
            progress((piece + 1) / len(pieces))
    return AllSubsets(
        studies=usable.study,
        estimator=tau2,
        estimate=estimate,
        tau2=between,
        size=size,
        exhaustive=exhaustive,
        seed=seed,
    )
