"""Log-densities of counts given a linear predictor, with two derivatives.

Every density here is log-concave in the linear predictor, and a study whose counts are all zero
contributes exactly nothing, so an absent study is one with zero counts.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray

_LARGEST_EXPONENT = 500.0
_WIDEST, _DEVIATIONS = 100.0, 40.0
_BLOCK = 1 << 16  # numbers held at once over the support of hypergeometric counts


class Curve(NamedTuple):
    """Value, first and second derivative with respect to the linear predictor."""

    value: FloatArray
    first: FloatArray
    second: FloatArray


Density = Callable[[FloatArray, tuple[FloatArray, ...]], Curve]


def binomial(predictor: FloatArray, counts: tuple[FloatArray, ...]) -> Curve:
    """Binomial log-density without its constant; `counts` are events and total, logit predictor.

    Fractions are allowed (effective numbers of correlated thumbs).
    """
    events, total = counts
    small = np.exp(-np.abs(predictor))
    larger = 1.0 / (1.0 + small)
    probability = np.where(predictor >= 0, larger, small * larger)
    value = _binomial_value(predictor, events, total, small)
    return Curve(value, events - total * probability, -total * (small * larger * larger))


def binomial_value(predictor: FloatArray, events: FloatArray, total: FloatArray) -> FloatArray:
    """Value of `binomial` alone, to the last bit."""
    return _binomial_value(predictor, events, total, np.exp(-np.abs(predictor)))


def _binomial_value(
    predictor: FloatArray, events: FloatArray, total: FloatArray, small: FloatArray
) -> FloatArray:
    return np.asarray(events * predictor - total * (np.maximum(predictor, 0.0) + np.log1p(small)))


def shifted_binomial(predictor: FloatArray, counts: tuple[FloatArray, ...]) -> Curve:
    """Binomial log-density whose logit is the predictor plus a known shift (events, total, shift)."""
    events, total, shift = counts
    return binomial(predictor + shift, (events, total))


def binomial_constant(events: FloatArray, total: FloatArray) -> FloatArray:
    """Logarithm of the binomial coefficient, by gamma functions."""
    return np.asarray(
        special.gammaln(total + 1) - special.gammaln(events + 1) - special.gammaln(total - events + 1)
    )


def poisson(predictor: FloatArray, counts: tuple[FloatArray, ...]) -> Curve:
    """Poisson log-density without its constant; `counts` are events and exposure, log-rate predictor."""
    events, exposure = counts
    expected = _poisson_expected(predictor, exposure)
    return Curve(events * predictor - expected, events - expected, -expected)


def poisson_value(predictor: FloatArray, events: FloatArray, exposure: FloatArray) -> FloatArray:
    """Value of `poisson` alone, to the last bit."""
    return np.asarray(events * predictor - _poisson_expected(predictor, exposure))


def _poisson_expected(predictor: FloatArray, exposure: FloatArray) -> FloatArray:
    return np.asarray(exposure * np.exp(np.minimum(predictor, _LARGEST_EXPONENT)))


def poisson_constant(events: FloatArray, exposure: FloatArray) -> FloatArray:
    """Part of the Poisson log-density that does not depend on the rate."""
    return np.asarray(special.xlogy(events, exposure) - special.gammaln(events + 1))


def hypergeometric(predictor: FloatArray, counts: tuple[FloatArray, ...]) -> Curve:
    """Non-central hypergeometric log-density in the log odds ratio (complete: no constant is left out).

    `counts` are the offsets of every possible number of arm-1 events from the observed one, and their
    log-coefficients relative to the observed one, both with a trailing axis over the support
    (see `hypergeometric_support`).
    """
    offset, log_coefficient = counts
    if predictor.ndim < 3:
        return _hypergeometric(predictor, offset, log_coefficient)
    # A few nodes at a time: over all of them the support of big studies would fill the memory.
    nodes = predictor.shape[-1]
    stride = max(1, _BLOCK // max(1, offset.size))
    parts = [
        _hypergeometric(predictor[..., first : first + stride], offset, log_coefficient)
        for first in range(0, nodes, stride)
    ]
    return Curve(*(np.concatenate(part, axis=-1) for part in zip(*parts, strict=True)))


def _hypergeometric(predictor: FloatArray, offset: FloatArray, log_coefficient: FloatArray) -> Curve:
    exponent = log_coefficient + offset * predictor[..., None]
    largest = exponent.max(axis=-1)
    mass = np.exp(exponent - largest[..., None])
    total = mass.sum(axis=-1)
    mass /= total[..., None]
    mean = (mass * offset).sum(axis=-1)
    variance = (mass * (offset - mean[..., None]) ** 2).sum(axis=-1)
    return Curve(-(largest + np.log(total)), -mean, -variance)


def hypergeometric_support(
    events_1: FloatArray, total_1: FloatArray, events_2: FloatArray, total_2: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return offsets and relative log-coefficients of the support given both margins.

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : ndarray, shape (..., k)
        Whole numbers.

    Returns
    -------
    offset, log_coefficient : ndarray, shape (..., k, support)
        `log_coefficient` is minus infinity beyond a study's own support. Of very long supports only what
        lies within 40 standard deviations (and 100 events) of the observed number is kept: the rest has no
        probability that a double could hold unless the observed number itself has none.
    """
    both = events_1 + events_2
    everyone = np.maximum(total_1 + total_2, 2.0)
    spread = np.sqrt(total_1 * total_2 * both * (everyone - both) / (everyone**2 * (everyone - 1.0)))
    reach = np.ceil(_WIDEST + _DEVIATIONS * spread)
    lowest = np.maximum(np.maximum(0.0, both - total_2), events_1 - reach)
    highest = np.minimum(np.minimum(both, total_1), events_1 + reach)
    width = int(np.max(highest - lowest, initial=0.0)) + 1
    value = lowest[..., None] + np.arange(width, dtype=float)
    inside = value <= highest[..., None]
    value = np.where(inside, value, highest[..., None])  # a harmless stand-in, weighted by zero

    def log_weight(number: FloatArray) -> FloatArray:
        return binomial_constant(number, total_1[..., None]) + binomial_constant(
            both[..., None] - number, total_2[..., None]
        )

    relative = log_weight(value) - log_weight(events_1[..., None])
    return value - events_1[..., None], np.where(inside, relative, -np.inf)
