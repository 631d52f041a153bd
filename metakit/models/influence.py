"""Does one study carry the answer? Leave-one-out, cumulative pooling, and the influence of each study.

Source: Viechtbauer & Cheung 2010 (outlier and influence diagnostics), Baujat 2002 (contribution to Q
against influence). Everything is one batched call of the pooling kernel with a mask.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, EffectTable, FloatArray
from metakit.core.results import Limits
from metakit.errors import ConvergenceError, NotEstimableError
from metakit.models.batch import RandomEffectsBatch, random_effects_batch

# Rules of thumb of Viechtbauer & Cheung 2010, section 3: a flag to look, not a verdict.
STUDENTISED_LIMIT = 1.96
DFFITS_FACTOR = 3.0
COOK_LIMIT = 0.85
HAT_FACTOR = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SubsetEstimate:
    """The pooled answer without one study, or with the first ones only (`study` is then the last added)."""

    study: str
    k: int
    estimate: float
    interval: Limits
    tau2: float
    i2: float | None = None

    def to_json(self) -> dict[str, object]:
        """Return the answer in the fixed form of the command line."""
        return {
            "study": self.study,
            "k": self.k,
            "estimate": self.estimate,
            "interval": list(self.interval),
            "tau2": self.tau2,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What one study does to the answer.

    studentised : externally studentised residual; hat : its weight; dffits, cook : shift of its own
    fitted value and of the mean in units of their error when it is left out; covariance_ratio : squared
    error with it over without it; tau2_without, q_without : after leaving it out; q_contribution,
    mean_shift : the two axes of the contribution-against-influence picture; flagged : reasons to look at
    it.
    """

    study: str
    studentised: float
    hat: float
    dffits: float
    cook: float
    covariance_ratio: float
    tau2_without: float
    q_without: float
    q_contribution: float
    mean_shift: float
    flagged: tuple[str, ...]


def leave_one_out(
    table: EffectTable, *, tau2: str = "reml", interval: str = "hartung_knapp_floor", level: float = 0.95
) -> tuple[SubsetEstimate, ...]:
    """Pool all studies but one, for each study in turn.

    Raises
    ------
    NotEstimableError
        With fewer than 3 usable studies.
    """
    usable = _usable(table, 3, "leaving one out")
    present = ~np.eye(len(usable), dtype=bool)
    return _estimates(usable.study, usable.effect, usable.variance, present, tau2, interval, level)


def cumulative(
    table: EffectTable, by: Sequence[float], *, tau2: str = "reml", interval: str = "hartung_knapp_floor",
    level: float = 0.95,
) -> tuple[SubsetEstimate, ...]:  # fmt: skip
    """Pool the first study, the first two, and so on, in rising order of `by` (ties keep their order).

    Raises
    ------
    NotEstimableError
        With fewer than 2 usable studies, or where `by` is missing for one.
    """
    order_by = np.asarray(by, dtype=float)
    without = [
        name
        for name, value, ok in zip(table.study, order_by, table.estimable, strict=True)
        if ok and math.isnan(value)
    ]
    if without:
        raise NotEstimableError(
            f"no order for {', '.join(without)}: cumulative pooling needs one for every study"
        )
    usable = _usable(table, 2, "cumulative pooling")
    order = np.argsort(order_by[table.estimable], kind="stable")
    present = np.tri(len(usable), dtype=bool)
    names = tuple(usable.study[place] for place in order)
    return _estimates(names, usable.effect[order], usable.variance[order], present, tau2, interval, level)


def influence(table: EffectTable, *, tau2: str = "reml") -> tuple[Influence, ...]:
    """Return the influence set of every usable study.

    Raises
    ------
    NotEstimableError
        With fewer than 3 usable studies.
    """
    usable = _usable(table, 3, "influence diagnostics")
    y, v, k = usable.effect, usable.variance, len(usable)
    full = _batch(y, v, None, tau2, "wald", 0.95)
    between, centre = float(full.tau2.tau2), float(full.mean.estimate)
    out = _batch(y, v, ~np.eye(k, dtype=bool), tau2, "wald", 0.95)
    centre_out, between_out = out.mean.estimate, out.tau2.tau2
    total = v + between
    hat = (1 / total) / np.sum(1 / total)
    spread_out = np.array([np.sum(1 / (np.delete(v, n) + between_out[n])) for n in range(k)])
    studentised = (y - centre_out) / np.sqrt(v + between_out + 1 / spread_out)
    shift = centre - centre_out
    variance = 1 / np.sum(1 / total)
    # Fitted value shift in units of its error with the deleted tau2 (Viechtbauer & Cheung 2010, equation 11).
    dffits = shift / np.sqrt(hat * (v + between_out))
    cook = shift**2 / variance
    ratio = (1 / spread_out) / variance
    weight = 1 / v
    common = float(np.sum(weight * y) / np.sum(weight))
    q_part = weight * (y - common) ** 2
    common_out = (np.sum(weight * y) - weight * y) / (np.sum(weight) - weight)
    q_out = np.array(
        [np.sum(np.delete(weight, n) * (np.delete(y, n) - common_out[n]) ** 2) for n in range(k)]
    )
    mean_shift = (common - common_out) ** 2 * (np.sum(weight) - weight)
    rows = []
    for n, study in enumerate(usable.study):
        flags = []
        if abs(studentised[n]) > STUDENTISED_LIMIT:
            flags.append("far from the others")
        if abs(dffits[n]) > DFFITS_FACTOR * math.sqrt(1 / (k - 1)) or cook[n] > COOK_LIMIT:
            flags.append("moves the mean")
        if hat[n] > HAT_FACTOR / k:
            flags.append("carries much of the weight")
        rows.append(
            Influence(
                study=study,
                studentised=float(studentised[n]),
                hat=float(hat[n]),
                dffits=float(dffits[n]),
                cook=float(cook[n]),
                covariance_ratio=float(ratio[n]),
                tau2_without=float(between_out[n]),
                q_without=float(q_out[n]),
                q_contribution=float(q_part[n]),
                mean_shift=float(mean_shift[n]),
                flagged=tuple(flags),
            )
        )
    return tuple(rows)


def _usable(table: EffectTable, fewest: int, what: str) -> EffectTable:
    usable = table.select(table.estimable)
    if len(usable) < fewest:
        raise NotEstimableError(
            f"{what} needs at least {fewest} studies with an effect; there are {len(usable)}"
        )
    return usable


def _batch(
    y: FloatArray, v: FloatArray, present: BoolArray | None, tau2: str, interval: str, level: float
) -> RandomEffectsBatch:
    found = random_effects_batch(y, v, present, tau2=tau2, interval=interval, prediction=None, level=level)
    if not (np.all(found.tau2.converged) and np.all(found.mean.converged)):
        raise ConvergenceError(
            f"tau2 by {tau2} did not settle for some of the subsets; use dersimonian_laird"
        )
    return found


def _estimates(
    names: Sequence[str],
    y: FloatArray,
    v: FloatArray,
    present: BoolArray,
    tau2: str,
    interval: str,
    level: float,
) -> tuple[SubsetEstimate, ...]:
    single = present.sum(axis=1) == 1
    found = _batch(y, v, present[~single], tau2, interval, level)
    # One study alone has its own normal interval; no other method is defined for it.
    alone = _batch(y, v, present[single], "dersimonian_laird", "wald", level) if single.any() else None
    rows, many, few = [], 0, 0
    for row, name in enumerate(names):
        if single[row] and alone is not None:
            source, place, few = alone, few, few + 1
        else:
            source, place, many = found, many, many + 1
        rows.append(
            SubsetEstimate(
                study=name,
                k=int(present[row].sum()),
                estimate=float(source.mean.estimate[place]),
                interval=Limits(float(source.mean.lower[place]), float(source.mean.upper[place])),
                tau2=float(source.tau2.tau2[place]),
            )
        )
    return tuple(rows)
