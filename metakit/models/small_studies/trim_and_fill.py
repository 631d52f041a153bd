"""Trim and fill: what the mean would be if the funnel had to be symmetric (Duval & Tweedie 2000).

A sensitivity analysis, never the headline: it assumes that asymmetry comes from missing studies alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.results import PoolResult
from metakit.errors import ConvergenceError, NotEstimableError, UnknownNameError
from metakit.models.pool import pool

ESTIMATORS = ("l0", "r0", "q0")
MOST_ROUNDS = 100

CAUTION = (
    "Sensitivity analysis: it fills the funnel as if only missing studies made it asymmetric, and cannot "
    "tell that from "
    "real differences between small and large studies."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimAndFill:
    """`side` is where studies seem missing, `filled` their (effect, variance), `result` the filled pool."""

    estimator: str
    side: Literal["left", "right"]
    number_missing: int
    filled: tuple[tuple[float, float], ...]
    result: PoolResult
    notes: tuple[str, ...] = (CAUTION,)

    def to_json(self) -> dict[str, object]:
        """Return the answer in the fixed form of the command line."""
        return {
            "side": self.side,
            "number_missing": self.number_missing,
            "estimator": self.estimator,
            "estimate": self.result.estimate,
            "interval": list(self.result.interval),
            "notes": list(self.notes),
        }


def trim_and_fill(
    effect: FloatArray,
    variance: FloatArray,
    *,
    estimator: str = "l0",
    side: Literal["left", "right"] | None = None,
    model: str = "random_effects",
    tau2: str | None = None,
    interval: str | None = None,
    level: float = 0.95,
) -> TrimAndFill:
    """Trim the more extreme studies, find the centre, mirror what was trimmed.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
    estimator : {"l0", "r0", "q0"}
        Estimator of the number of missing studies (the names are Duval and Tweedie's).
    side : {"left", "right"}, optional
        Where studies are missing; by default the side that Egger's slope points to.
    model, tau2, interval, level
        As in `pool`; the centre is found by the same model.

    Raises
    ------
    NotEstimableError
        With fewer than 3 studies.
    ConvergenceError
        If the number of missing studies keeps changing.
    """
    if estimator not in ESTIMATORS:
        raise UnknownNameError("estimator of missing studies", estimator, ESTIMATORS)
    y: FloatArray = np.asarray(effect, dtype=float)
    v: FloatArray = np.asarray(variance, dtype=float)
    k = len(y)
    if k < 3:
        raise NotEstimableError(f"{k} studies are too few to speak of a symmetric funnel (at least 3)")

    def centre(chosen: FloatArray, spread: FloatArray) -> float:
        return pool(
            effect=chosen, variance=spread, model=model, tau2=tau2, interval="wald", level=level
        ).estimate

    missing: Literal["left", "right"] = side or missing_side(y, v)
    sign = 1.0 if missing == "left" else -1.0
    order = np.argsort(sign * y, kind="stable")
    flipped: FloatArray = sign * y[order]
    spread = v[order]
    count, trail = 0, [0]
    for _ in range(MOST_ROUNDS):
        middle = centre(flipped[: k - count], spread[: k - count])
        found = _number(flipped - middle, _COUNTERS[estimator])
        if found == count:
            break
        count = found
        trail.append(count)
    else:
        raise ConvergenceError(f"trim and fill keeps changing its mind ({trail[-4:]}); use another estimator")
    middle = centre(flipped[: k - count], spread[: k - count])
    mirrored: FloatArray = 2 * middle - flipped[k - count :]
    all_y: FloatArray = sign * np.concatenate((flipped, mirrored))
    all_v = np.concatenate((spread, spread[k - count :]))
    result = pool(effect=all_y, variance=all_v, model=model, tau2=tau2, interval=interval, level=level)
    filled = tuple(zip((sign * mirrored).tolist(), spread[k - count :].tolist(), strict=True))
    return TrimAndFill(estimator=estimator, side=missing, number_missing=count, filled=filled, result=result)


def missing_side(y: FloatArray, v: FloatArray) -> Literal["left", "right"]:
    """Small studies that lie to the right of large ones mean that studies on the left are missing."""
    error, weight = np.sqrt(v), 1 / v
    mean_error, mean_y = np.average(error, weights=weight), np.average(y, weights=weight)
    slope = np.sum(weight * (error - mean_error) * (y - mean_y))
    return "left" if slope > 0 else "right"


def _number(deviation: FloatArray, counter: Callable[[FloatArray, FloatArray, int], float]) -> int:
    k = len(deviation)
    ranks: FloatArray = (
        np.argsort(np.argsort(np.abs(deviation), kind="stable"), kind="stable").astype(float) + 1
    )
    return int(min(max(0, round(counter(deviation, ranks, k))), k - 2))


def _rank_sum(deviation: FloatArray, ranks: FloatArray, k: int) -> float:
    total = float(np.sum(ranks[deviation > 0]))
    return (4 * total - k * (k + 1)) / (2 * k - 1)


def _run(deviation: FloatArray, ranks: FloatArray, k: int) -> float:
    """Length of the run of the largest ranks that all lie on the right, less one."""
    negative = ranks[deviation <= 0]
    return k - float(negative.max() if negative.size else 0.0) - 1


def _root(deviation: FloatArray, ranks: FloatArray, k: int) -> float:
    total = float(np.sum(ranks[deviation > 0]))
    inside = 2 * k**2 - 4 * total + 0.25
    return k - 0.5 - float(np.sqrt(max(inside, 0.0)))


_COUNTERS = {"l0": _rank_sum, "r0": _run, "q0": _root}
