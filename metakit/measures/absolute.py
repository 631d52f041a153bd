"""From a relative effect and a baseline to a risk, and back, for every measure that can.

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
from metakit.measures.registry import MEASURES, AtBaseline


def _entry(measure: str) -> AtBaseline:
    found = MEASURES[measure].at_baseline
    if found is None:
        raise UsageError(f"a {measure.replace('_', ' ')} has no absolute effect at a baseline")
    return found


def risk_with(measure: str, effect: ArrayLike, baseline: ArrayLike) -> FloatArray:
    """Return the risk, or rate, with the technique when the comparator's is `baseline`.

    Parameters
    ----------
    measure : str
        Name of a measure with `at_baseline`.
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
    return np.asarray(_entry(measure).risk(size, base), dtype=float)


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
        no effect reaches it (of ratios that mean more).

    Examples
    --------
    >>> round(float(effect_needed("risk_ratio", -0.024, 0.30)), 2)
    0.92
    """
    far, base = np.broadcast_arrays(np.asarray(difference, dtype=float), np.asarray(baseline, dtype=float))
    return np.array(_entry(measure).effect(far, base), dtype=float)


def number_needed(difference: float) -> float:
    """Return how many must be treated for one event more or fewer: 1 / |difference|, infinite at zero.

    Examples
    --------
    >>> number_needed(-0.024), number_needed(0.0)
    (41.666666666666664, inf)
    """
    return math.inf if difference == 0 else 1 / abs(difference)
