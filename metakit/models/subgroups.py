"""Subgroups: each group's mean, and the test between groups (never one group's p value against another's).

Source: Borenstein & Higgins 2013; Handbook 10.11. tau2 is estimated in each group, or once for all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable
from metakit.core.notes import SetAside
from metakit.core.results import Limits, TestStatistic
from metakit.errors import NotEstimableError, UnknownNameError
from metakit.models.batch import random_effects_batch
from metakit.models.meta_regression import RESIDUAL_TAU2_ESTIMATORS


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupLevel:
    """One group's pooled effect; `interval` None where it cannot be given (one study has its own)."""

    level: str
    k: int
    estimate: float
    standard_error: float
    interval: Limits
    tau2: float
    studies: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupResult:
    """Groups and the test between them."""

    moderator: str
    common_tau2: bool
    levels: tuple[SubgroupLevel, ...]
    between: TestStatistic
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, object]:
        """Return the answer in the fixed form of the command line."""
        return {
            "moderator": self.moderator,
            "common_tau2": self.common_tau2,
            "levels": [
                {
                    "level": level.level,
                    "k": level.k,
                    "estimate": level.estimate,
                    "interval": list(level.interval),
                    "tau2": level.tau2,
                }
                for level in self.levels
            ],
            "between": self.between._asdict(),
            "set_aside": [{"study": item.study, "reason": item.reason} for item in self.set_aside],
            "notes": list(self.notes),
        }


def subgroups(
    table: EffectTable,
    moderator: str,
    *,
    common_tau2: bool = False,
    tau2: str = "reml",
    interval: str = "hartung_knapp_floor",
    level: float = 0.95,
) -> SubgroupResult:
    """Pool each level of a moderator and test the difference between levels.

    Parameters
    ----------
    table : EffectTable
    moderator : str
        A column of words.
    common_tau2 : bool
        Estimate tau2 once, from all groups around their own means; advisable with few studies a group.

    Raises
    ------
    NotEstimableError
        With fewer than two levels.
    """
    if moderator not in table.moderators:
        raise UnknownNameError("moderator", moderator, table.moderators)
    column = table.moderators[moderator]
    aside = [
        SetAside(study=name, reason=f"no value of {moderator}")
        for name, value, ok in zip(table.study, column, table.estimable, strict=True)
        if ok and (value is None or value == "")
    ]
    names = np.array(["" if value is None else str(value) for value in column])
    usable = table.estimable & (names != "")
    levels = sorted(set(names[usable]))
    if len(levels) < 2:
        raise NotEstimableError(
            f"{moderator} has {len(levels)} level(s) among the studies: nothing to compare"
        )
    shared = None
    if common_tau2:
        design = np.array([[float(name == chosen) for chosen in levels] for name in names[usable]])
        shared = float(
            RESIDUAL_TAU2_ESTIMATORS[tau2].kernel(table.effect[usable], table.variance[usable], design).tau2
        )
    found = [
        _level(table.select(usable & (names == chosen)), chosen, shared, tau2, interval, level)
        for chosen in levels
    ]
    weight = np.array([1 / item.standard_error**2 for item in found])
    estimate = np.array([item.estimate for item in found])
    centre = np.sum(weight * estimate) / np.sum(weight)
    q = float(np.sum(weight * (estimate - centre) ** 2))
    df = len(levels) - 1
    return SubgroupResult(
        moderator=moderator,
        common_tau2=common_tau2,
        levels=tuple(found),
        between=TestStatistic(q, df, float(special.chdtrc(df, q))),
        set_aside=(*table.set_aside, *aside),
        notes=_notes(found, common_tau2),
    )


def _level(
    table: EffectTable, name: str, shared: float | None, tau2: str, interval: str, level: float
) -> SubgroupLevel:
    y, v = table.effect, table.variance
    if len(table) == 1:
        interval, tau2 = "wald", "dersimonian_laird"
    if shared is not None:
        # tau2 given: variances that already hold it, pooled under a common effect, give mean and Wald error.
        weight = 1 / (v + shared)
        estimate, error = float(np.sum(weight * y) / np.sum(weight)), float(np.sum(weight) ** -0.5)
        half = float(special.ndtri(0.5 + level / 2)) * error
        limits, between = Limits(estimate - half, estimate + half), shared
    else:
        pooled = random_effects_batch(y, v, tau2=tau2, interval=interval, prediction=None, level=level)
        estimate, between = float(pooled.mean.estimate), float(pooled.tau2.tau2)
        error = float(np.sum(1 / (v + between)) ** -0.5)
        limits = Limits(float(pooled.mean.lower), float(pooled.mean.upper))
    return SubgroupLevel(
        level=name,
        k=len(table),
        estimate=estimate,
        standard_error=error,
        interval=limits,
        tau2=between,
        studies=table.study,
    )


def _notes(levels: list[SubgroupLevel], common_tau2: bool) -> tuple[str, ...]:
    notes = ["Read the test between the groups, not whether one group's interval excludes no difference."]
    few = [item.level for item in levels if item.k < 5]
    if few and not common_tau2:
        notes.append(
            f"Fewer than 5 studies in {', '.join(few)}: tau2 of such a group is hardly known; a common "
            "tau2 is steadier."
        )
    return tuple(notes)
