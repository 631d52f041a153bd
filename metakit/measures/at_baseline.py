"""Closed forms between a relative effect and a risk at a baseline, one pair a measure of events.

Where a baseline is 0 or 1, or a limit unbounded, each form gives the value that it tends to.

References
----------
Cochrane Handbook, sections 14.1.5 and 15.4.4; Altman DG, Andersen PK (1999). BMJ 319:1492-1495
(hazard ratio).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from metakit.core.effects import FloatArray
from metakit.measures.registry import AtBaseline

_Form = Callable[[FloatArray, FloatArray], FloatArray]


def _times(size: FloatArray, base: FloatArray) -> FloatArray:
    # An unbounded ratio of nothing is nothing.
    return np.where(base == 0, 0.0, base * np.where(base == 0, 1.0, size))


def _by_odds(size: FloatArray, base: FloatArray) -> FloatArray:
    # Written in shares of the whole, so that a baseline of 1 and an infinite ratio stay finite.
    with np.errstate(invalid="ignore", over="ignore"):
        found = size * base / (1 - base + size * base)
    return np.where(base == 0, 0.0, np.where(np.isinf(size) | (base == 1), 1.0, found))


def _by_hazard(size: FloatArray, base: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        risk = -np.expm1(size * np.log1p(-base))
    return np.where(base == 0, 0.0, np.where(base == 1, 1.0, risk))


def _back(form: _Form, *, most: float = 1.0) -> _Form:
    """Return the way back of a ratio, with its values where the risk leaves 0 to `most`."""

    def effect(difference: FloatArray, base: FloatArray) -> FloatArray:
        risk = base + difference
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            found = np.where(risk >= most, np.inf, form(risk, base))
        # Without any event to multiply, only no difference or less can be reached.
        found = np.where(base <= 0, np.where(risk >= 0, np.inf, 0.0), found)
        return np.where(risk <= 0, np.where(base <= 0, found, 0.0), found)

    return effect


RISK_RATIO = AtBaseline(risk=_times, effect=_back(lambda risk, base: risk / base))
RATE_RATIO = AtBaseline(risk=_times, effect=_back(lambda risk, base: risk / base, most=np.inf), per_year=True)
ODDS_RATIO = AtBaseline(
    risk=_by_odds, effect=_back(lambda risk, base: risk / (1 - risk) * ((1 - base) / base))
)
HAZARD_RATIO = AtBaseline(
    risk=_by_hazard,
    effect=_back(lambda risk, base: np.log1p(-np.minimum(risk, 1.0)) / np.log1p(-base)),
)
RISK_DIFFERENCE = AtBaseline(risk=lambda size, base: base + size, effect=lambda difference, base: difference)
