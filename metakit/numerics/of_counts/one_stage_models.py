"""The one-stage models: raw counts in, a `LatentModel` with starting values out.

All columns have shape (B, k); an absent study has zero counts throughout. In models of two arms beta[0] is
the log ratio of arm 1 against arm 2, and the arms are coded +1/2 and -1/2, so that the answer is the
same whichever arm is called first and the variance is shared between them (the modified models of Jackson
et al. 2018).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.of_counts import one_stage_densities as densities
from metakit.numerics.of_counts.one_stage_likelihood import LatentModel

_ONE = np.ones((1, 1))
_HALVES = np.array([[0.5], [-0.5]])
_HALVES_AND_INTERCEPT = np.array([[0.5, 1.0], [-0.5, 1.0]])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prepared:
    """A model with the values that its fit starts from."""

    model: LatentModel
    beta: FloatArray
    intercepts: FloatArray


def _crude_logit(events: FloatArray, total: FloatArray) -> FloatArray:
    """Logit of the pooled proportion, kept finite."""
    x, n = events.sum(axis=-1, keepdims=True), total.sum(axis=-1, keepdims=True)
    return np.asarray(np.log((x + 0.5) / (n - x + 0.5)))


def _crude_rate(events: FloatArray, time: FloatArray) -> FloatArray:
    total = events.sum(axis=-1, keepdims=True)
    return np.asarray(np.log((total + 0.5) / time.sum(axis=-1, keepdims=True)))


def binomial_normal(events: FloatArray, total: FloatArray) -> Prepared:
    """One arm: binomial counts, logits normal between studies (Hamza, van Houwelingen & Stijnen 2008)."""
    model = LatentModel(
        density=densities.binomial,
        counts=((events, total),),
        constant=densities.binomial_constant(events, total),
        design=_ONE,
        loading=_ONE,
    )
    return Prepared(model=model, beta=_crude_logit(events, total), intercepts=np.zeros((len(events), 0)))


def poisson_normal(events: FloatArray, time: FloatArray) -> Prepared:
    """One arm: Poisson counts over person-time, log rates normal between studies."""
    model = LatentModel(
        density=densities.poisson,
        counts=((events, time),),
        constant=densities.poisson_constant(events, time),
        design=_ONE,
        loading=_ONE,
    )
    return Prepared(model=model, beta=_crude_rate(events, time), intercepts=np.zeros((len(events), 0)))


def hypergeometric_normal(
    events_1: FloatArray, total_1: FloatArray, events_2: FloatArray, total_2: FloatArray
) -> Prepared:
    """Two arms given both margins: non-central hypergeometric, log odds ratio normal (Stijnen 2010).

    Counts must be whole numbers.
    """
    model = LatentModel(
        density=densities.hypergeometric,
        counts=(densities.hypergeometric_support(events_1, total_1, events_2, total_2),),
        constant=np.zeros_like(events_1),
        design=_ONE,
        loading=_ONE,
    )
    start = _crude_logit(events_1, total_1) - _crude_logit(events_2, total_2)
    return Prepared(model=model, beta=start, intercepts=np.zeros((len(events_1), 0)))


def conditional_binomial_normal(
    events_1: FloatArray, time_1: FloatArray, events_2: FloatArray, time_2: FloatArray
) -> Prepared:
    """Two arms of person-time given the events of both: binomial, log rate ratio normal (Stijnen 2010)."""
    both = events_1 + events_2
    present = both > 0
    shift = np.log(np.where(present, time_1, 1.0)) - np.log(np.where(present, time_2, 1.0))
    model = LatentModel(
        density=densities.shifted_binomial,
        counts=((events_1, both, shift),),
        constant=densities.binomial_constant(events_1, both),
        design=_ONE,
        loading=_ONE,
    )
    start = _crude_rate(events_1, time_1) - _crude_rate(events_2, time_2)
    return Prepared(model=model, beta=start, intercepts=np.zeros((len(events_1), 0)))


def two_arm_binomial_normal(
    events_1: FloatArray,
    total_1: FloatArray,
    events_2: FloatArray,
    total_2: FloatArray,
    *,
    random_intercepts: bool,
) -> Prepared:
    """Two arms of binomial counts with fixed or normal study intercepts (Jackson et al. 2018)."""
    counts = ((events_1, total_1), (events_2, total_2))
    constant = densities.binomial_constant(events_1, total_1) + densities.binomial_constant(events_2, total_2)
    level_1, level_2 = _crude_logit(events_1, total_1), _crude_logit(events_2, total_2)
    both, size = events_1 + events_2, total_1 + total_2
    own = special.logit((both + 0.5) / (size + 1.0))
    return _two_arms(densities.binomial, counts, constant, level_1, level_2, own, random_intercepts)


def two_arm_poisson_normal(
    events_1: FloatArray,
    time_1: FloatArray,
    events_2: FloatArray,
    time_2: FloatArray,
    *,
    random_intercepts: bool,
) -> Prepared:
    """Two arms of Poisson counts with fixed or normal study intercepts (Stijnen 2010; Spittal 2015)."""
    counts = ((events_1, time_1), (events_2, time_2))
    constant = densities.poisson_constant(events_1, time_1) + densities.poisson_constant(events_2, time_2)
    level_1, level_2 = _crude_rate(events_1, time_1), _crude_rate(events_2, time_2)
    time = np.where(time_1 + time_2 > 0, time_1 + time_2, 1.0)
    own = np.log((events_1 + events_2 + 0.5) / time)
    return _two_arms(densities.poisson, counts, constant, level_1, level_2, own, random_intercepts)


def _two_arms(
    density: densities.Density,
    counts: tuple[tuple[FloatArray, ...], ...],
    constant: FloatArray,
    level_1: FloatArray,
    level_2: FloatArray,
    own: FloatArray,
    random_intercepts: bool,
) -> Prepared:
    matrix = _HALVES_AND_INTERCEPT if random_intercepts else _HALVES
    model = LatentModel(
        density=density,
        counts=counts,
        constant=constant,
        design=matrix,
        loading=matrix,
        study_intercepts=not random_intercepts,
    )
    ratio = level_1 - level_2
    if random_intercepts:
        beta = np.concatenate([ratio, (level_1 + level_2) / 2], axis=1)
        return Prepared(model=model, beta=beta, intercepts=np.zeros((len(own), 0)))
    return Prepared(model=model, beta=ratio, intercepts=own)
