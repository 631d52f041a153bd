"""Subgroups: each group's mean, and the test between groups (never one group's p value against another's).

Source: Borenstein & Higgins 2013; Handbook 10.11. By the default rule each group is what `pool` answers for
its studies alone, and the difference between groups comes from the same posteriors; where an estimator or
interval is named, tau2 is estimated in each group, or once for all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from metakit.core.beside import Posterior
from metakit.core.effects import EffectTable
from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.limits import Limits, TestStatistic
from metakit.core.notes import SetAside
from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError, UnknownNameError
from metakit.models.batch import random_effects_batch
from metakit.models.differing.coefficients import Coefficients
from metakit.models.differing.residual_tau2 import RESIDUAL_TAU2_ESTIMATORS
from metakit.models.inference import DEFAULT_INFERENCE, INFERENCES, informative, likelihood_of
from metakit.models.pool import pool
from metakit.models.posteriors.half_normal import prior_of
from metakit.models.registry import MODELS, PoolOptions
from metakit.numerics import meta_regression as kernel
from metakit.numerics.posteriors.mixtures import NormalMixturePosterior
from metakit.numerics.posteriors.spread_integral import spread_posterior

POINTS, REACH = 200, 5.0
"""Points of the integral over one mean, and how many standard normal deviations it spans."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupLevel:
    """One group's pooled effect; a single study stands with its own interval and without a prediction."""

    level: str
    k: int
    estimate: float
    standard_error: float
    interval: Limits
    tau2: float
    studies: tuple[str, ...]
    prediction: Limits | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupResult:
    """Groups and the test between them."""

    moderator: str
    common_tau2: bool
    levels: tuple[SubgroupLevel, ...]
    between: TestStatistic
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]
    inference: str = ""

    def to_json(self) -> dict[str, object]:
        """Return the answer in the fixed form of the command line."""
        return {
            "moderator": self.moderator,
            "common_tau2": self.common_tau2,
            "inference": self.inference or None,
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
    tau2: str | None = None,
    interval: str | None = None,
    inference: str = DEFAULT_INFERENCE,
    level: float = 0.95,
) -> SubgroupResult:
    """Pool each level of a moderator and test the difference between levels.

    Parameters
    ----------
    table : EffectTable
    moderator : str
        A column of words.
    common_tau2 : bool
        One spread for all groups around their own means, instead of one a group.
    tau2, interval : str, optional
        An estimator and an interval of the mean; naming one of them computes exactly that.
    inference : str
        The rule where neither is named: each level is then what `pool` answers for its studies alone.

    Raises
    ------
    NotEstimableError
        With fewer than two levels.
    """
    names, aside = _groups(table, moderator)
    levels = sorted({str(name) for name in names if name})
    if len(levels) < 2:
        raise NotEstimableError(
            f"{moderator} has {len(levels)} level(s) among the studies: nothing to compare"
        )
    rule = "" if tau2 or interval else INFERENCES[inference].name
    if rule == "half_normal":
        found, between = _integrated(table, names, levels, common_tau2=common_tau2, level=level)
    else:
        found = _estimated(
            table, names, levels, tau2 or "reml", interval or "hartung_knapp_floor", level,
            common_tau2=common_tau2,
        )  # fmt: skip
        between = _q_between(found)
    return SubgroupResult(
        moderator=moderator,
        common_tau2=common_tau2,
        levels=found,
        between=between,
        set_aside=(*table.set_aside, *aside),
        notes=_notes(found, common_tau2, rule),
        inference=rule,
    )


def _groups(table: EffectTable, moderator: str) -> tuple[NDArray[np.str_], list[SetAside]]:
    """Return each usable study's group, "" for the others, and the studies without one by name."""
    if moderator not in table.moderators:
        raise UnknownNameError("moderator", moderator, table.moderators)
    column = table.moderators[moderator]
    known = informative(table) | table.estimable
    names = np.array(["" if value is None else str(value) for value in column])
    aside = [
        SetAside(study=study, reason=f"no value of {moderator}")
        for study, name, ok in zip(table.study, names, known, strict=True)
        if ok and name == ""
    ]
    return np.where(known, names, ""), aside


def _estimated(
    table: EffectTable, names: NDArray[np.str_], levels: list[str], tau2: str, interval: str, level: float,
    *, common_tau2: bool,
) -> tuple[SubgroupLevel, ...]:  # fmt: skip
    usable = table.estimable & (names != "")
    shared = None
    if common_tau2:
        design = np.array([[float(name == chosen) for chosen in levels] for name in names[usable]])
        shared = float(
            RESIDUAL_TAU2_ESTIMATORS[tau2].kernel(table.effect[usable], table.variance[usable], design).tau2
        )
    return tuple(
        _level(table.select(usable & (names == chosen)), chosen, shared, tau2, interval, level)
        for chosen in levels
    )


def _q_between(found: tuple[SubgroupLevel, ...]) -> TestStatistic:
    """Return Q between groups from their estimates and errors."""
    weight = np.array([1 / item.standard_error**2 for item in found])
    estimate = np.array([item.estimate for item in found])
    centre = np.sum(weight * estimate) / np.sum(weight)
    q = float(np.sum(weight * (estimate - centre) ** 2))
    return TestStatistic(q, len(found) - 1, float(special.chdtrc(len(found) - 1, q)))


def _integrated(
    table: EffectTable, names: NDArray[np.str_], levels: list[str], *, common_tau2: bool, level: float
) -> tuple[tuple[SubgroupLevel, ...], TestStatistic]:
    """Answer each level with its spread integrated out, and test their difference by the same posteriors."""
    if common_tau2:
        return _one_spread(table, names, levels, level)
    found, posteriors = [], []
    likelihood = likelihood_of(table)
    for chosen in levels:
        part = table.select(names == chosen)
        result = pool(part, inference="half_normal", likelihood=likelihood, level=level, beside=False)
        alone = result.posterior is None
        options = PoolOptions(level=level, likelihood=likelihood, beside=False)
        mean = MODELS["half_normal"].fit(part, options) if alone else result
        posteriors.append(mean)
        ahead = None if alone else getattr(result, "prediction", None)
        found.append(
            SubgroupLevel(
                level=chosen,
                k=result.k,
                estimate=result.estimate,
                standard_error=result.standard_error,
                interval=result.interval,
                tau2=result.heterogeneity.tau2 or 0.0,
                studies=tuple(row.study for row in result.studies),
                prediction=ahead.interval if ahead is not None else None,
            )
        )
    return tuple(found), _between(posteriors)


def _between(results: Sequence[PoolResult]) -> TestStatistic:
    """Test the difference between independent posteriors of means.

    Two groups: twice the smaller tail of the posterior of their difference, which is below 0.05 exactly when
    its 95 % interval leaves out zero. More: Q of the posterior means with their variances.
    """
    mean = np.array(
        [
            result.posterior_mean if isinstance(result, HalfNormalResult) else result.estimate
            for result in results
        ]
    )
    variance = np.array([result.standard_error**2 for result in results])
    weight = 1 / variance
    q = float(np.sum(weight * (mean - np.sum(weight * mean) / np.sum(weight)) ** 2))
    df = len(results) - 1
    first, second = results[0].posterior, results[1].posterior
    if df > 1 or first is None or second is None:
        return TestStatistic(q, df, float(special.chdtrc(df, q)))
    above = probability_above(first, second)
    return TestStatistic(q, df, 2 * min(above, 1 - above))


def probability_above(first: Posterior, second: Posterior) -> float:
    """Return the probability that one mean lies above an independent other one.

    Exact for mixtures of normals; otherwise an integral over the first one's distribution, right to 1e-6.
    """
    if isinstance(first, NormalMixturePosterior) and isinstance(second, NormalMixturePosterior):
        apart = first.mean[:, None] - second.mean
        spread = np.hypot(first.deviation[:, None], second.deviation)
        return float(first.weight @ special.ndtr(apart / spread) @ second.weight)
    points, weights = special.roots_legendre(POINTS)
    # The integral of P(second < x) over the first's distribution, in the normal scale of its probability.
    z = REACH * points
    density = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) * REACH * weights
    value = first.quantile(special.ndtr(z))
    return float(np.sum(density * second.below(value)) / np.sum(density))


def _one_spread(
    table: EffectTable, names: NDArray[np.str_], levels: list[str], level: float
) -> tuple[tuple[SubgroupLevel, ...], TestStatistic]:
    """Answer the levels as a regression on their membership, with one spread around all their means."""
    usable = table.estimable & (names != "")
    held = [chosen for chosen in levels if bool(np.any(names[usable] == chosen))]
    if len(held) < 2:
        raise NotEstimableError("fewer than two levels have an effect to compare")
    y, v = table.effect[usable], table.variance[usable]
    design = np.array([[float(name == chosen) for chosen in held] for name in names[usable]])
    prior = prior_of(table, PoolOptions(level=level))
    posterior = spread_posterior(
        lambda tau: kernel.regress_given_tau(y, v, design, tau),
        scale=prior.scale,
        smallest=math.sqrt(float(v.min())),
    )
    rule = Coefficients(
        values=posterior.mean(),
        covariance=posterior.covariance(),
        df=math.inf,
        posterior=posterior,
        level=level,
    )
    tau2 = posterior.tau_quantile(0.5) ** 2
    found = []
    for place, chosen in enumerate(held):
        estimate, error, interval, _ = rule.tell(np.eye(len(held))[place])
        members = tuple(
            study for study, name, ok in zip(table.study, names, usable, strict=True) if ok and name == chosen
        )
        found.append(
            SubgroupLevel(
                level=chosen,
                k=len(members),
                estimate=estimate,
                standard_error=error,
                interval=interval,
                tau2=tau2,
                studies=members,
            )
        )
    between = rule.test(np.eye(len(held))[1:] - np.eye(len(held))[0])
    if between is None:  # two levels are at least one difference
        raise NotEstimableError("fewer than two levels have an effect to compare")
    return tuple(found), between


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
        error = float(pooled.mean.standard_error)
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


def _notes(found: Sequence[SubgroupLevel], common_tau2: bool, rule: str) -> tuple[str, ...]:
    notes = ["Read the test between the groups, not whether one group's interval excludes no difference."]
    few = [item.level for item in found if item.k < 5]
    if few and not common_tau2 and rule != "half_normal":
        notes.append(
            f"Fewer than 5 studies in {', '.join(few)}: tau2 of such a group is hardly known; a common "
            "tau2 is steadier."
        )
    alone = [item.level for item in found if item.k == 1]
    if alone and rule == "half_normal" and not common_tau2:
        notes.append(
            f"{', '.join(alone)} has one study, shown with its own interval; the test between groups "
            "takes it for one of its kind and adds the spread between centres."
        )
    return tuple(notes)
