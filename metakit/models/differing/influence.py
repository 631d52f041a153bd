"""Does one study carry the answer? The influence of each study.

Source: Viechtbauer & Cheung 2010 (outlier and influence diagnostics), Baujat 2002 (contribution to Q
against influence). Everything is one batched call of the pooling kernel with a mask.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, EffectTable, FloatArray
from metakit.errors import ConvergenceError, NotEstimableError
from metakit.models.batch import random_effects_batch
from metakit.models.posteriors.half_normal import prior_of
from metakit.models.registry import PoolOptions
from metakit.numerics.posteriors.half_normal_effects import half_normal_effects

HALF_NORMAL = "half_normal"
# Rules of thumb of Viechtbauer & Cheung 2010, section 3: a flag to look, not a verdict.
STUDENTISED_LIMIT = 1.96
DFFITS_FACTOR = 3.0
COOK_LIMIT = 0.85
HAT_FACTOR = 3.0


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


def influence(table: EffectTable, *, tau2: str = "reml") -> tuple[Influence, ...]:
    """Return the influence set of every study with an effect.

    Parameters
    ----------
    table : EffectTable
    tau2 : str
        Estimator of the variance between studies, or `half_normal`: then it is the square of tau's posterior
        median under the half-normal prior of the measure, with all studies and without each.

    Raises
    ------
    NotEstimableError
        With fewer than 3 usable studies.
    """
    usable = _usable(table, 3, "influence diagnostics")
    v, k = usable.variance, len(usable)
    y = usable.effect - float(np.median(usable.effect))  # keeps digits when effects are far from 0
    between = float(spread_of(usable, tau2))
    between_out = _spreads(usable, ~np.eye(k, dtype=bool), tau2)
    total = v + between
    centre = float(np.sum(y / total) / np.sum(1 / total))
    weight_out = np.where(np.eye(k, dtype=bool), 0.0, 1 / (v + between_out[:, None]))
    centre_out = weight_out @ y / weight_out.sum(axis=1)
    hat = (1 / total) / np.sum(1 / total)
    spread_out = weight_out.sum(axis=1)
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
    with np.errstate(divide="ignore", invalid="ignore"):  # one weight may hide all others: refused when drawn
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


def spread_of(table: EffectTable, tau2: str) -> float:
    """Return the variance between the studies of a table by an estimator, or at tau's posterior median."""
    return float(_spreads(table, np.ones((1, len(table)), dtype=bool), tau2)[0])


def _spreads(table: EffectTable, present: BoolArray, tau2: str) -> FloatArray:
    if tau2 == HALF_NORMAL:
        scale = prior_of(table, PoolOptions()).scale
        found = half_normal_effects(table.effect, table.variance, present, scale=scale)
        return np.asarray(found.tau**2)
    batch = random_effects_batch(
        table.effect, table.variance, present, tau2=tau2, interval="wald", prediction=None
    )
    if not np.all(batch.tau2.converged):
        raise ConvergenceError(
            f"tau2 by {tau2} did not settle for some of the subsets; use dersimonian_laird"
        )
    return batch.tau2.tau2
