"""The likelihoods of counts that the half-normal integral takes, with the priors of their mean.

An absent study is one that is left out: a study without information would change nothing.

References
----------
Stijnen, Hamza & Ozdemir (2010); Cai, Parast & Ryan (2010); Gunhan, Rover & Friede (2020); Brown, Cai &
DasGupta (2001) for the prior of Jeffreys.
"""

from __future__ import annotations

import numpy as np

from metakit.core.effects import FloatArray
from metakit.numerics.of_counts.one_stage_densities import (
    binomial_value,
    hypergeometric_support,
    poisson_value,
)
from metakit.numerics.posteriors.half_normal_counts import CountModel, LogLikelihood

MEAN_DEVIATION = 2.82
"""Standard deviation of the normal prior of a mean log ratio (Gunhan 2020): it holds that ratios beyond 250
to one are out of the question."""


_BLOCK = 1 << 16  # numbers held at once over the support of hypergeometric counts


def _normal_prior(deviation: float) -> LogLikelihood:
    def log_density(mean: FloatArray) -> FloatArray:
        return np.asarray(-0.5 * (mean / deviation) ** 2)

    return log_density


def conditional_binomial(
    events_1: FloatArray,
    size_1: FloatArray,
    events_2: FloatArray,
    size_2: FloatArray,
    *,
    mean_deviation: float = MEAN_DEVIATION,
) -> CountModel:
    """Return the events of arm 1 given those of both arms: binomial in the log ratio.

    Parameters
    ----------
    events_1, size_1, events_2, size_2 : ndarray, shape (k,)
        Events and persons (or person-time) of either arm; every study has an event.
    mean_deviation : float
        Of the normal prior of the mean log ratio around 0.
    """
    total, shift = (events_1 + events_2)[:, None], np.log(size_1 / size_2)[:, None]
    own = events_1[:, None]

    def log_likelihood(effect: FloatArray) -> FloatArray:
        return binomial_value(effect + shift, own, total)

    return CountModel(
        log_likelihood=log_likelihood,
        log_prior=_normal_prior(mean_deviation),
        centre=np.log((events_1 + 0.5) / (events_2 + 0.5)) - shift[:, 0],
        width=np.sqrt(1.0 / (events_1 + 0.5) + 1.0 / (events_2 + 0.5)),
        prior_precision=mean_deviation**-2,
    )


def conditional_hypergeometric(
    events_1: FloatArray,
    total_1: FloatArray,
    events_2: FloatArray,
    total_2: FloatArray,
    *,
    mean_deviation: float = MEAN_DEVIATION,
) -> CountModel:
    """Return the events of arm 1 given both margins: non-central hypergeometric in the log odds ratio.

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : ndarray, shape (k,)
        Whole numbers; every study has an event and a person without one.
    mean_deviation : float
        Of the normal prior of the mean log odds ratio around 0.
    """
    offset, coefficient = hypergeometric_support(events_1, total_1, events_2, total_2)
    cells = [part + 0.5 for part in (events_1, total_1 - events_1, events_2, total_2 - events_2)]

    def log_likelihood(effect: FloatArray) -> FloatArray:
        effects = np.broadcast_to(effect, (len(events_1), effect.shape[-1]))
        found = np.empty(effects.shape)
        stride = max(1, _BLOCK // offset.shape[-1])
        for study in range(len(events_1)):
            inside = np.isfinite(coefficient[study])
            away, weight = offset[study, inside], coefficient[study, inside]
            for first in range(0, effects.shape[-1], stride):
                exponent = np.multiply.outer(effects[study, first : first + stride], away) + weight
                top = exponent.max(axis=-1)
                mass = np.exp(exponent - top[:, None]).sum(axis=-1)
                found[study, first : first + stride] = -(top + np.log(mass))
        return found

    return CountModel(
        log_likelihood=log_likelihood,
        log_prior=_normal_prior(mean_deviation),
        centre=np.log(cells[0] * cells[3] / (cells[1] * cells[2])),
        width=np.sqrt(sum(1.0 / cell for cell in cells)),
        prior_precision=mean_deviation**-2,
    )


def binomial_logit(events: FloatArray, total: FloatArray) -> CountModel:
    """Return binomial counts of one arm on the logit scale, the median centre with Jeffreys' prior.

    That prior, Beta(1/2, 1/2) of the proportion, has the density p^(1/2) (1 - p)^(1/2) of the logit.
    """
    own, sizes = events[:, None], total[:, None]

    def log_likelihood(effect: FloatArray) -> FloatArray:
        return binomial_value(effect, own, sizes)

    def log_prior(mean: FloatArray) -> FloatArray:
        size = np.abs(mean)
        return np.asarray(-0.5 * size - np.log1p(np.exp(-size)))

    others = total - events
    return CountModel(
        log_likelihood=log_likelihood,
        log_prior=log_prior,
        centre=np.log((events + 0.5) / (others + 0.5)),
        width=np.sqrt(1.0 / (events + 0.5) + 1.0 / (others + 0.5)),
    )


def poisson_log(events: FloatArray, time: FloatArray) -> CountModel:
    """Return Poisson counts of one arm on the log scale, the median centre with Jeffreys' prior.

    That prior, rate^(-1/2) of the rate, has the density rate^(1/2) of its logarithm.
    """
    own, sizes = events[:, None], time[:, None]

    def log_likelihood(effect: FloatArray) -> FloatArray:
        return poisson_value(effect, own, sizes)

    def log_prior(mean: FloatArray) -> FloatArray:
        return np.asarray(0.5 * mean)

    return CountModel(
        log_likelihood=log_likelihood,
        log_prior=log_prior,
        centre=np.log((events + 0.5) / time),
        width=1.0 / np.sqrt(events + 0.5),
    )
