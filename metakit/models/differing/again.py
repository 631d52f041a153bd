"""The same method once more on other studies: without each one in turn, and with one more at a time.

Whatever is asked again inherits what gave the first answer: model, estimator, interval, inference, level,
and the likelihood by which counts enter. Nothing is chosen anew for the studies that are left.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from metakit.core.effects import BoolArray, EffectTable
from metakit.core.limits import Limits
from metakit.core.results import PoolResult
from metakit.errors import ConvergenceError, NotEstimableError
from metakit.models.differing.influence import HALF_NORMAL
from metakit.models.estimators import TAU2_ESTIMATORS
from metakit.models.inference import informative
from metakit.models.multilevel import OPTIONS
from metakit.models.multilevel_result import MultilevelResult
from metakit.models.pool import pool
from metakit.models.registry import MODELS

FEWEST_TO_LEAVE_OUT = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """How to ask for exactly the same; None and "" leave a choice to `pool`."""

    model: str | None = None
    tau2: str | None = None
    interval: str | None = None
    inference: str = ""
    likelihood: str = ""
    level: float = 0.95
    extra: Mapping[str, Any] = field(default_factory=dict)

    def pool(self, table: EffectTable, *, beside: bool = False) -> PoolResult:
        """Pool a table by this method, without what stands `beside` an answer unless that is asked for."""
        return pool(
            table,
            model=self.model,
            tau2=self.tau2,
            interval=self.interval,
            inference=self.inference or None,
            likelihood=self.likelihood or None,
            level=self.level,
            beside=beside,
            **self.extra,
        )


def method_of(result: PoolResult) -> Method:
    """Return the method that gave a result."""
    if result.inference:
        return Method(inference=result.inference, likelihood=result.likelihood, level=result.level)
    random = result.model == "random_effects"
    if isinstance(result, MultilevelResult):
        how = {name: getattr(result, name) for name in OPTIONS}
        return Method(model=result.model, interval=result.mean.method, level=result.level, extra=how)
    return Method(
        model=result.model if result.model in MODELS else None,
        tau2=result.tau2_estimator if random else None,
        interval=result.mean.method if random else None,
        level=result.level,
    )


def spread_estimator_of(result: PoolResult) -> str:
    """Return how a result has its variance between studies: an estimator, or `half_normal`."""
    if HALF_NORMAL in (result.inference, result.model):
        return HALF_NORMAL
    name = result.tau2_estimator or "reml"
    return name if name in TAU2_ESTIMATORS else "reml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """The answer without one study, or with those up to it (`study` is then the last added).

    `result` is None where there is none; `reason` then says why.
    """

    study: str
    studies: tuple[str, ...]
    result: PoolResult | None = None
    reason: str = ""

    @property
    def k(self) -> int:
        """Number of studies that the answer rests on."""
        return self.result.k if self.result else len(self.studies)

    @property
    def estimate(self) -> float:
        """On the analysis scale, NaN without an answer."""
        return self.result.estimate if self.result else math.nan

    @property
    def interval(self) -> Limits:
        """On the analysis scale, NaN without an answer."""
        return self.result.interval if self.result else Limits(math.nan, math.nan)

    @property
    def tau2(self) -> float | None:
        """Variance between studies; None where the model has none."""
        return self.result.heterogeneity.tau2 if self.result else None

    def to_json(self) -> dict[str, object]:
        """Return the answer in the fixed form of the command line."""
        return {
            "study": self.study,
            "k": self.k,
            "estimate": self.estimate if self.result else None,
            "interval": list(self.interval) if self.result else None,
            "tau2": self.tau2,
            "reason_not_estimable": self.reason or None,
        }


def usable(table: EffectTable) -> BoolArray:
    """Say which studies carry information on the measure."""
    return np.asarray(informative(table) | table.estimable)


def without_each(table: EffectTable, method: Method) -> tuple[Again, ...]:
    """Pool all studies but one, for each study that carries information in turn.

    Raises
    ------
    NotEstimableError
        With fewer than 3 such studies.
    """
    places = np.flatnonzero(usable(table))
    if len(places) < FEWEST_TO_LEAVE_OUT:
        raise NotEstimableError(
            f"leaving one out needs at least {FEWEST_TO_LEAVE_OUT} studies with an effect; there are "
            f"{len(places)}"
        )
    everyone = np.arange(len(table))
    return tuple(_once(table.select(everyone != place), table.study[place], method) for place in places)


def growing(table: EffectTable, by: Sequence[float], method: Method) -> tuple[Again, ...]:
    """Pool the first study, the first two, and so on, in rising order of `by` (ties keep their order).

    Raises
    ------
    NotEstimableError
        With fewer than 2 usable studies, or where `by` is missing for one.
    """
    order_by, here = np.asarray(by, dtype=float), usable(table)
    missing = [table.study[place] for place in np.flatnonzero(here & np.isnan(order_by))]
    if missing:
        raise NotEstimableError(
            f"no order for {', '.join(missing)}: cumulative pooling needs one for every study"
        )
    places = np.flatnonzero(here)
    if len(places) < 2:
        raise NotEstimableError(
            f"cumulative pooling needs at least 2 studies with an effect; there are {len(places)}"
        )
    places = places[np.argsort(order_by[places], kind="stable")]
    found = []
    for number, place in enumerate(places):
        keep = np.zeros(len(table), dtype=bool)
        keep[places[: number + 1]] = True
        found.append(_once(table.select(keep), table.study[place], method))
    return tuple(found)


def _once(table: EffectTable, study: str, method: Method) -> Again:
    try:
        return Again(study=study, studies=table.study, result=method.pool(table))
    except (NotEstimableError, ConvergenceError) as error:
        return Again(study=study, studies=table.study, reason=str(error))
