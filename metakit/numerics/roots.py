"""Roots of many one-dimensional functions at once, each row stopped on its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.weights import IndexArray

LIMIT = 200
"""Iterations after which a row is reported as not converged; bisection alone needs fewer."""

STEP_TOLERANCE = 1e-6
"""Relative Newton step that ends the search: the error left behind is of the order of its square."""

WIDTH_TOLERANCE = 4 * float(np.finfo(float).eps)
"""Relative width of a bracket that cannot usefully be narrowed."""


@dataclass(frozen=True, slots=True, eq=False)
class Roots:
    """Where the functions vanish, and which rows got there."""

    root: FloatArray
    converged: BoolArray


Sloped = Callable[[FloatArray, IndexArray], tuple[FloatArray, FloatArray]]
"""Value and slope at one point for each of the selected rows."""


def newton_in_bracket(function: Sloped, low: FloatArray, high: FloatArray, start: FloatArray) -> Roots:
    """Find the root in [low, high] of functions that are positive at `low` and negative at `high`.

    Newton steps from `start`; a step that would leave the bracket, or stands on a slope that does not
    fall, is replaced by the middle of the bracket, which shrinks at each evaluation: the worst case is
    bisection.

    Parameters
    ----------
    function : callable
        Gets points of shape (n,) and the rows they belong to; gives values and slopes.
    low, high, start : ndarray, shape (rows,)

    Returns
    -------
    Roots
    """
    root, converged = start.copy(), np.zeros(len(start), dtype=bool)
    rows, point = np.arange(len(start)), start
    for _ in range(LIMIT):
        if not len(rows):
            break
        value, slope = function(point, rows)
        positive = value > 0
        low, high = np.where(positive, point, low), np.where(positive, high, point)
        with np.errstate(divide="ignore", invalid="ignore"):
            following = point - value / slope
        inside = (slope < 0) & (following >= low) & (following <= high)  # False for NaN
        following = np.where(inside, following, 0.5 * (low + high))
        done = inside & (np.abs(following - point) <= STEP_TOLERANCE * following)
        done |= high - low <= WIDTH_TOLERANCE * high
        root[rows], converged[rows] = following, done
        if done.any():
            left = ~done
            rows, point, low, high = rows[left], following[left], low[left], high[left]
        else:
            point = following
    return Roots(root, converged)


def newton_of_one(
    function: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    low: FloatArray,
    high: FloatArray,
    start: FloatArray,
) -> tuple[FloatArray, bool]:
    """Take the steps of `newton_in_bracket` for a single function, on plain numbers.

    The same arithmetic in the same order, and so the same root to the last bit; without the cost of
    arrays of length one.
    """
    point = start
    for _ in range(LIMIT):
        value, slope = function(point)
        if value > 0:
            low = point
        else:
            high = point
        following = point - value / slope if slope < 0 else point
        inside = slope < 0 and low <= following <= high
        if not inside:
            following = 0.5 * (low + high)
        if (inside and abs(following - point) <= STEP_TOLERANCE * following) or (
            high - low <= WIDTH_TOLERANCE * high
        ):
            return following, True
        point = following
    return point, False


_FEW = 8
"""Rows up to which plain numbers, one row after another, cost less than arrays."""
_TINY = float(np.finfo(float).tiny)

_State = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, BoolArray]


def _all_narrowed(
    a: FloatArray, fa: FloatArray, b: FloatArray, fb: FloatArray, point: FloatArray, value: FloatArray
) -> _State:
    """Return the ends with their values, the nearer end, where to look next, and what is narrow enough."""
    same = np.sign(value) == np.sign(fa)
    c, fc = np.where(same, a, b), np.where(same, fa, fb)
    b, fb = np.where(same, b, a), np.where(same, fb, fa)
    a, fa = point, value
    nearest = np.where(np.abs(fa) < np.abs(fb), a, b)
    smallest_step = WIDTH_TOLERANCE * np.abs(nearest) + _TINY
    width = np.abs(b - a)
    done = (width <= smallest_step) | (fa == 0) | (fb == 0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        quadratic = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi)
        step = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        edge = np.minimum(0.5, smallest_step / width)
    fraction = np.where(quadratic & np.isfinite(step), np.clip(step, edge, 1 - edge), 0.5)
    return a, fa, b, fb, nearest, fraction, done


def _narrowed(
    row: tuple[float, float, float, float, float, float],
) -> tuple[float, float, float, float, float, float, bool]:
    """Return what `_all_narrowed` does, of one row in plain numbers, by the same arithmetic."""
    a, fa, b, fb, point, value = row
    if (value > 0) - (value < 0) == (fa > 0) - (fa < 0) and value == value:
        c, fc = a, fa
    else:
        c, fc, b, fb = b, fb, a, fa
    a, fa = point, value
    nearest = a if abs(fa) < abs(fb) else b
    smallest_step, width = WIDTH_TOLERANCE * abs(nearest) + _TINY, abs(b - a)
    done = width <= smallest_step or fa == 0 or fb == 0
    fraction = 0.5
    if not done:
        try:
            xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
            rest = 1 - phi
            if phi * phi < xi and rest * rest < 1 - xi:
                step = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
                if isfinite(step):
                    edge = min(0.5, smallest_step / width)
                    fraction = min(max(step, edge), 1 - edge)
        except ZeroDivisionError:
            pass
    return a, fa, b, fb, nearest, fraction, done


Plain = Callable[[FloatArray, IndexArray], FloatArray]
"""Value at one point for each of the selected rows."""


def root_in_bracket(function: Plain, low: FloatArray, high: FloatArray) -> Roots:
    """Find a root in [low, high] of functions that change sign there, without slopes.

    Chandrupatla's rule: inverse quadratic interpolation where it is safe, else bisection. Rows where
    an end is itself a root give that end; rows without a change of sign are not converged.

    Parameters
    ----------
    function : callable
        Gets points of shape (n,) and the rows they belong to; gives values.
    low, high : ndarray, shape (rows,)

    Returns
    -------
    Roots

    References
    ----------
    Chandrupatla TR (1997). A new hybrid quadratic/bisection algorithm for finding the zero of a
    nonlinear function without using derivatives. Adv Eng Softw 28:145-149.
    """
    every = np.arange(len(low))
    value_low, value_high = function(low, every), function(high, every)
    best = np.where(np.abs(value_low) < np.abs(value_high), low, high)
    converged = (value_low == 0) | (value_high == 0)
    rows = np.flatnonzero(~converged & (np.sign(value_low) != np.sign(value_high)))
    b, fb, a, fa = low[rows], value_low[rows], high[rows], value_high[rows]
    fraction = np.full(len(rows), 0.5)
    for _ in range(LIMIT):
        if not len(rows):
            break
        point = a + fraction * (b - a)
        value = function(point, rows)
        if len(rows) <= _FEW:
            each = zip(*(part.tolist() for part in (a, fa, b, fb, point, value)), strict=True)
            a, fa, b, fb, nearest, fraction, done = map(np.array, zip(*map(_narrowed, each), strict=True))
        else:
            a, fa, b, fb, nearest, fraction, done = _all_narrowed(a, fa, b, fb, point, value)
        best[rows], converged[rows] = nearest, done
        keep = ~done
        rows = rows[keep]
        a, fa, b, fb, fraction = (each[keep] for each in (a, fa, b, fb, fraction))
    return Roots(best, converged)
