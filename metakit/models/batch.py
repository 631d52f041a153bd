"""Random-effects pooling of arrays: one call for one analysis or for a hundred thousand.

Leave-one-out, cumulative pooling, bootstrap, permutation, all subsets and simulation are this call with
a batch axis and a mask.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import BoolArray
from metakit.models.estimators import MEAN_INTERVALS, PREDICTION_INTERVALS, TAU2_ESTIMATORS
from metakit.numerics.mean_intervals import MeanIntervals
from metakit.numerics.prediction import PredictionIntervals
from metakit.numerics.tau2 import Tau2Estimate
from metakit.numerics.weights import prepare, weigh

CHUNK = 1 << 17
"""Numbers worked on at once, so that a batch stays in the processor's cache."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomEffectsBatch:
    """Answers of one or many random-effects analyses; every array has the batch shape.

    `prediction` is None when it was not asked for.
    """

    tau2: Tau2Estimate
    mean: MeanIntervals
    prediction: PredictionIntervals | None


def random_effects_batch(
    effect: ArrayLike,
    variance: ArrayLike,
    present: BoolArray | None = None,
    *,
    tau2: str = "reml",
    interval: str = "hartung_knapp_floor",
    prediction: str | None = "hartung_knapp_floor",
    level: float = 0.95,
) -> RandomEffectsBatch:
    """Pool each analysis of a batch by inverse variance with random effects.

    Parameters
    ----------
    effect, variance : array_like, shape (..., k)
    present : ndarray of bool, shape (..., k), optional
        Which studies take part in which analysis; all of them when left out.
    tau2, interval, prediction : str
        Names in TAU2_ESTIMATORS, MEAN_INTERVALS and PREDICTION_INTERVALS; no prediction when None.
    level : float

    Returns
    -------
    RandomEffectsBatch
        A batch equals a loop over its analyses to the last bit. `tau2.converged` and `mean.converged`
        say which analyses settled.

    Raises
    ------
    ValueError
        For an analysis without a study, a missing effect or a variance that is not positive.

    Examples
    --------
    >>> found = random_effects_batch([0.30, 0.31, 0.29], [0.04, 0.05, 0.06])
    >>> round(float(found.mean.upper - found.mean.estimate), 3)
    0.548
    """
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    shape = y.shape
    if present is not None or v.shape != shape:
        shape = np.broadcast_shapes(shape, v.shape, () if present is None else np.shape(present))
    if len(shape) < 2 or math.prod(shape) <= CHUNK:
        return _pool(y, v, present, tau2, interval, prediction, level)
    leading, k = shape[:-1], shape[-1]
    rows, size = math.prod(leading), max(1, CHUNK // max(k, 1))
    y, v = (np.broadcast_to(part, shape).reshape(rows, k) for part in (y, v))
    here = None if present is None else np.broadcast_to(present, shape).reshape(rows, k)
    chunks = []
    for first in range(0, rows, size):
        cut = slice(first, first + size)
        mask = None if here is None else here[cut]
        chunks.append(_pool(y[cut], v[cut], mask, tau2, interval, prediction, level))
    return RandomEffectsBatch(
        tau2=_joined([part.tau2 for part in chunks], leading),
        mean=_joined([part.mean for part in chunks], leading),
        prediction=None if prediction is None else _joined([part.prediction for part in chunks], leading),
    )


def _pool(
    effect: ArrayLike,
    variance: ArrayLike,
    present: BoolArray | None,
    tau2: str,
    interval: str,
    prediction: str | None,
    level: float,
) -> RandomEffectsBatch:
    studies = prepare(effect, variance, present)
    between = TAU2_ESTIMATORS[tau2].kernel(studies)
    weights = weigh(studies, studies.fold(between.tau2))
    mean = MEAN_INTERVALS[interval].kernel(studies, weights, level)
    ahead = PREDICTION_INTERVALS[prediction].kernel(studies, weights, level) if prediction else None
    return RandomEffectsBatch(tau2=between, mean=mean, prediction=ahead)


Answer = TypeVar("Answer")


def _joined(parts: list[Answer], leading: tuple[int, ...]) -> Answer:
    """Put the chunks of one dataclass of arrays together again."""
    names = [field.name for field in fields(parts[0])]  # type: ignore[arg-type]
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts]).reshape(leading) for name in names
    }
    return type(parts[0])(**columns)
