"""From a relative effect and a baseline to a risk, and back: closed forms for every measure of events.

References
----------
Cochrane Handbook, sections 14.1.5 and 15.4.4; Altman DG (1998). BMJ 317:1309-1312; Altman DG, Andersen PK
(1999). BMJ 319:1492-1495 (hazard ratio).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import FloatArray
from metakit.errors import UsageError

RATIOS = ("risk_ratio", "rate_ratio")
ODDS = ("odds_ratio", "peto_odds_ratio")
ABSOLUTE_MEASURES = (*RATIOS, *ODDS, "hazard_ratio", "risk_difference")
"""Measures of events that say something absolute once a baseline is given."""


def risk_with(measure: str, effect: ArrayLike, baseline: ArrayLike) -> FloatArray:
    """Return the risk, or rate, with the technique when the comparator's is `baseline`.

    Parameters
    ----------
    measure : str
        One of `ABSOLUTE_MEASURES`.
    effect : array_like
        In natural units (a ratio, or a difference of fractions).
    baseline : array_like
        Risk as a fraction, or a rate; broadcast against `effect`.

    Returns
    -------
    ndarray
        Not cut at 0 and 1: a ratio of risks, or a difference, can leave them, and the caller must say so.

    Raises
    ------
    UsageError
        For a measure without an absolute effect.

    Examples
    --------
    >>> round(1000 * float(risk_with("odds_ratio", 5.14, 0.020)))
    95
    >>> round(1000 * float(risk_with("risk_ratio", 1.89, 0.100)))
    189
    """
    size, base = np.broadcast_arrays(np.asarray(effect, dtype=float), np.asarray(baseline, dtype=float))
    if measure in RATIOS:
        # An unbounded ratio of nothing is nothing.
        return np.where(base == 0, 0.0, base * np.where(base == 0, 1.0, size))
    if measure in ODDS:
        # Written in shares of the whole, so that a baseline of 1 and an infinite ratio stay finite.
        with np.errstate(invalid="ignore", over="ignore"):
            found = size * base / (1 - base + size * base)
        return np.where(base == 0, 0.0, np.where(np.isinf(size) | (base == 1), 1.0, found))
    if measure == "hazard_ratio":
        with np.errstate(divide="ignore", invalid="ignore"):
            risk = -np.expm1(size * np.log1p(-base))
        return np.where(base == 0, 0.0, np.where(base == 1, 1.0, risk))
    if measure == "risk_difference":
        return np.asarray(base + size, dtype=float)
    raise UsageError(f"a {measure.replace('_', ' ')} has no absolute effect at a baseline")


def effect_needed(measure: str, difference: ArrayLike, baseline: ArrayLike) -> FloatArray:
    """Return the effect that makes a given absolute difference at a baseline: the inverse of `risk_with`.

    Parameters
    ----------
    measure : str
    difference : array_like
        Risk with the technique less the baseline.
    baseline : array_like
        Above 0 for ratios.

    Returns
    -------
    ndarray
        In natural units: 0 where the difference takes away all of the baseline or more, infinite where
        no effect reaches it.

    Examples
    --------
    >>> round(float(effect_needed("risk_ratio", -0.024, 0.30)), 2)
    0.92
    """
    far, base = np.broadcast_arrays(np.asarray(difference, dtype=float), np.asarray(baseline, dtype=float))
    if measure == "risk_difference":
        return np.array(far, dtype=float)
    risk = base + far
    if measure not in ABSOLUTE_MEASURES:
        raise UsageError(f"a {measure.replace('_', ' ')} has no absolute effect at a baseline")
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if measure in RATIOS:
            found = risk / base
        elif measure in ODDS:
            found = risk / (1 - risk) * ((1 - base) / base)
        else:
            found = np.log1p(-np.minimum(risk, 1.0)) / np.log1p(-base)
    if measure != "rate_ratio":
        found = np.where(risk >= 1, np.inf, found)
    # Without any event to multiply, only no difference or less can be reached.
    found = np.where(base <= 0, np.where(risk >= 0, np.inf, 0.0), found)
    return np.asarray(np.where(risk <= 0, np.where(base <= 0, found, 0.0), found), dtype=float)


def number_needed(difference: float) -> float:
    """Return how many must be treated for one event more or fewer: 1 / |difference|, infinite at zero.

    Examples
    --------
    >>> number_needed(-0.024), number_needed(0.0)
    (41.666666666666664, inf)
    """
    return math.inf if difference == 0 else 1 / abs(difference)
