"""Intervals for the mean effect that need only weights: Wald, t, Hartung-Knapp and its floored form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.distributions import t_quantile
from metakit.numerics.weights import Studies, Weighted, greater

_TINY = float(np.finfo(float).tiny)
"""Keeps an infinite quantile times an error of zero infinite."""


@dataclass(frozen=True, slots=True, eq=False)
class MeanIntervals:
    """The mean with an interval; arrays of the batch shape.

    `factor` multiplies the variance of the mean (1 for Wald and t), `raw_factor` is its value before a
    floor was applied. `df` are the degrees of freedom of the quantile, infinite for the normal. With one
    study an interval that needs degrees of freedom is unbounded.
    """

    estimate: FloatArray
    standard_error: FloatArray
    lower: FloatArray
    upper: FloatArray
    df: FloatArray
    factor: FloatArray
    raw_factor: FloatArray
    converged: BoolArray


class MeanIntervalKernel(Protocol):
    """An interval for the mean, given the weights of the studies."""

    def __call__(self, studies: Studies, weights: Weighted, level: float) -> MeanIntervals:
        """Return the mean with its interval."""
        ...


def _interval(
    studies: Studies, weights: Weighted, level: float, *, normal: bool, scaled: bool, floor: bool
) -> MeanIntervals:
    one = 1.0 + 0.0 * studies.count
    # one study: 0 / 0, nothing to scale by; the quantile is infinite there
    raw = (weights.squares() + (studies.count == 1)) / studies.spare if scaled else one
    factor = greater(raw, 1.0) if floor else raw
    error = np.sqrt(factor / weights.total)
    df = one * np.inf if normal else studies.count - 1
    reach = t_quantile(level, df) * (error + _TINY)
    estimate = studies.anchor_effect + weights.mean
    return studies.unfold(
        MeanIntervals(
            estimate=estimate,
            standard_error=error,
            lower=estimate - reach,
            upper=estimate + reach,
            df=df,
            factor=factor,
            raw_factor=raw,
            converged=one > 0,
        )
    )


def wald(studies: Studies, weights: Weighted, level: float) -> MeanIntervals:
    """Take the normal quantile times the root of 1 / sum of weights."""
    return _interval(studies, weights, level, normal=True, scaled=False, floor=False)


def t(studies: Studies, weights: Weighted, level: float) -> MeanIntervals:
    """As Wald with the t quantile on k - 1 degrees of freedom."""
    return _interval(studies, weights, level, normal=False, scaled=False, floor=False)


def hartung_knapp(studies: Studies, weights: Weighted, level: float) -> MeanIntervals:
    """Scale the variance by the generalised Q over k - 1, with a t quantile.

    Hartung & Knapp (2001); Sidik & Jonkman (2002).
    """
    return _interval(studies, weights, level, normal=False, scaled=True, floor=False)


def hartung_knapp_floor(studies: Studies, weights: Weighted, level: float) -> MeanIntervals:
    """Hartung-Knapp with a variance factor of at least 1 (Rover, Knapp & Friede 2015)."""
    return _interval(studies, weights, level, normal=False, scaled=True, floor=True)
