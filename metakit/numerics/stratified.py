"""Methods that stratify by study and never correct a zero cell: Mantel-Haenszel and Peto.

Two arms, a events among n1 and c among n2; b and d are those without the event. Rates: a and c events in
times t1 and t2. Counts may be fractional (effective numbers after a design effect).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import BoolArray, FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Stratified:
    """One estimate over strata; batch shape, and with the study axis where said.

    Attributes
    ----------
    estimate, standard_error : ndarray, batch shape
        On the log scale for ratios. NaN exactly where `estimable` is False.
    weight : ndarray, shape (..., k)
        Fractions that add up to 1 (all 0 where no study has weight).
    informative : ndarray of bool, shape (..., k)
        Studies that contribute to the estimate.
    estimable : ndarray of bool, batch shape
    for_arm_1, for_arm_2 : ndarray, batch shape
        The two sums whose ratio is a Mantel-Haenszel ratio; one of them is 0 when all events are in the
        other arm. For a risk difference and for Peto, both are the total weight.
    """

    estimate: FloatArray
    standard_error: FloatArray
    weight: FloatArray
    informative: BoolArray
    estimable: BoolArray
    for_arm_1: FloatArray
    for_arm_2: FloatArray


def _columns(present: BoolArray | None, *columns: ArrayLike) -> tuple[BoolArray, list[FloatArray]]:
    arrays = np.broadcast_arrays(*(np.asarray(column, dtype=float) for column in columns))
    here = (
        np.ones(arrays[0].shape, dtype=bool) if present is None else np.broadcast_to(present, arrays[0].shape)
    )
    return here, [np.ascontiguousarray(np.where(here, array, 0.0)) for array in arrays]


def _divide(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    """Divide; 0 where the denominator is 0 (a stratum that is absent)."""
    return np.divide(numerator, denominator, out=np.zeros_like(numerator), where=denominator != 0)


def _ratio(
    for_arm_1: FloatArray,
    for_arm_2: FloatArray,
    variance: FloatArray,
    weight: FloatArray,
    informative: BoolArray,
) -> Stratified:
    """Assemble the answer for a ratio from its two sums per study and the variance of its logarithm."""
    r, s = for_arm_1.sum(axis=-1), for_arm_2.sum(axis=-1)
    estimable = (r > 0) & (s > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate, error = np.log(r / s), np.sqrt(variance)
    total = weight.sum(axis=-1, keepdims=True)
    return Stratified(
        np.where(estimable, estimate, np.nan),
        np.where(estimable, error, np.nan),
        _divide(weight, np.broadcast_to(total, weight.shape)),
        informative,
        estimable,
        r,
        s,
    )


def mantel_haenszel_odds_ratio(
    events_1: ArrayLike,
    total_1: ArrayLike,
    events_2: ArrayLike,
    total_2: ArrayLike,
    present: BoolArray | None = None,
) -> Stratified:
    """Log odds ratio of Mantel & Haenszel (1959), variance of Robins, Breslow & Greenland (1986).

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : array_like, shape (..., k)
    present : ndarray of bool, shape (..., k), optional

    Returns
    -------
    Stratified

    Examples
    --------
    >>> found = mantel_haenszel_odds_ratio([3, 0, 5], [40, 30, 50], [6, 2, 5], [41, 29, 52])
    >>> round(float(found.estimate), 3), round(float(found.standard_error), 3)
    (-0.505, 0.471)
    """
    _, (a, n1, c, n2) = _columns(present, events_1, total_1, events_2, total_2)
    n, b, d = n1 + n2, n1 - a, n2 - c
    r, s = _divide(a * d, n), _divide(b * c, n)
    p, q = _divide(a + d, n), _divide(b + c, n)
    sum_r, sum_s = r.sum(axis=-1), s.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = (p * r).sum(axis=-1) / (2 * sum_r**2)
        variance = variance + (p * s + q * r).sum(axis=-1) / (2 * sum_r * sum_s)
        variance = variance + (q * s).sum(axis=-1) / (2 * sum_s**2)
    return _ratio(r, s, variance, s, r + s > 0)


def mantel_haenszel_risk_ratio(
    events_1: ArrayLike,
    total_1: ArrayLike,
    events_2: ArrayLike,
    total_2: ArrayLike,
    present: BoolArray | None = None,
) -> Stratified:
    """Log risk ratio of Mantel and Haenszel with the variance of Greenland & Robins (1985).

    Parameters and answer as for the odds ratio.
    """
    _, (a, n1, c, n2) = _columns(present, events_1, total_1, events_2, total_2)
    n = n1 + n2
    r, s = _divide(a * n2, n), _divide(c * n1, n)
    spread = _divide(n1 * n2 * (a + c) - a * c * n, n**2).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = spread / (r.sum(axis=-1) * s.sum(axis=-1))
    return _ratio(r, s, variance, s, r + s > 0)


def mantel_haenszel_rate_ratio(
    events_1: ArrayLike,
    time_1: ArrayLike,
    events_2: ArrayLike,
    time_2: ArrayLike,
    present: BoolArray | None = None,
) -> Stratified:
    """Log rate ratio of Mantel and Haenszel with the variance of Greenland & Robins (1985).

    Parameters
    ----------
    events_1, time_1, events_2, time_2 : array_like, shape (..., k)
    present : ndarray of bool, shape (..., k), optional

    Returns
    -------
    Stratified
    """
    _, (a, t1, c, t2) = _columns(present, events_1, time_1, events_2, time_2)
    time = t1 + t2
    r, s = _divide(a * t2, time), _divide(c * t1, time)
    spread = _divide((a + c) * t1 * t2, time**2).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = spread / (r.sum(axis=-1) * s.sum(axis=-1))
    return _ratio(r, s, variance, s, r + s > 0)


def mantel_haenszel_risk_difference(
    events_1: ArrayLike,
    total_1: ArrayLike,
    events_2: ArrayLike,
    total_2: ArrayLike,
    present: BoolArray | None = None,
) -> Stratified:
    """Risk difference of Mantel and Haenszel with the variance of Greenland & Robins (1985).

    Parameters and answer as for the odds ratio. A study without events in either arm, or with events in
    everyone, counts fully.
    """
    here, (a, n1, c, n2) = _columns(present, events_1, total_1, events_2, total_2)
    n, b, d = n1 + n2, n1 - a, n2 - c
    weight = _divide(n1 * n2, n)
    total = weight.sum(axis=-1)
    spread = _divide(a * b * n2**3 + c * d * n1**3, n1 * n2 * n**2).sum(axis=-1)
    return _difference(_divide(a * n2 - c * n1, n), total, spread, weight, here)


def _difference(
    numerator: FloatArray, total: FloatArray, spread: FloatArray, weight: FloatArray, informative: BoolArray
) -> Stratified:
    estimable = total > 0
    safe = np.where(estimable, total, 1.0)
    return Stratified(
        np.where(estimable, numerator.sum(axis=-1) / safe, np.nan),
        np.where(estimable, np.sqrt(spread) / safe, np.nan),
        _divide(weight, np.broadcast_to(total[..., None], weight.shape)),
        informative,
        estimable,
        total,
        total,
    )


@dataclass(frozen=True, slots=True, eq=False)
class PetoParts:
    """Observed minus expected events of arm 1 and their hypergeometric variance, shape (..., k)."""

    difference: FloatArray
    variance: FloatArray


def peto_parts(
    events_1: ArrayLike,
    total_1: ArrayLike,
    events_2: ArrayLike,
    total_2: ArrayLike,
    present: BoolArray | None = None,
) -> PetoParts:
    """Return O - E and V of each study (Yusuf 1985); both 0 where a study is absent."""
    _, (a, n1, c, n2) = _columns(present, events_1, total_1, events_2, total_2)
    n, events = n1 + n2, a + c
    difference = a - _divide(n1 * events, n)
    variance = _divide(n1 * n2 * events * (n - events), n**2 * (n - 1))
    return PetoParts(difference, variance)


def peto_odds_ratio(
    events_1: ArrayLike,
    total_1: ArrayLike,
    events_2: ArrayLike,
    total_2: ArrayLike,
    present: BoolArray | None = None,
) -> Stratified:
    """Log odds ratio by Peto's one-step method, sum(O - E) / sum(V), variance 1 / sum(V) (Yusuf 1985).

    Parameters and answer as for Mantel-Haenszel. Finite when all events are in one arm.
    """
    parts = peto_parts(events_1, total_1, events_2, total_2, present)
    total = parts.variance.sum(axis=-1)
    return _difference(parts.difference, total, total, parts.variance, parts.variance > 0)
