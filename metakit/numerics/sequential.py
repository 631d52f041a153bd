"""Boundaries for evidence that is looked at again and again, by the spending of the error allowed.

The probability of staying inside all earlier boundaries is carried forward by recursive integration of the
partial-sum density (Armitage, McPherson & Rowe 1969); a bisection finds each boundary.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from metakit.core.effects import FloatArray

_NODES = 400
_FAR = 8.5
"""Standard normal units beyond which no spending can be resolved in double precision."""


@dataclass(frozen=True, slots=True, eq=False)
class SpendingBoundaries:
    """Two-sided boundaries on the z scale, one a look, and the error spent up to each look.

    A boundary is infinite where the error that may be spent by then is too small to matter.
    """

    boundary: FloatArray
    spent: FloatArray


def spending(information: ArrayLike, alpha: float = 0.05) -> FloatArray:
    """Return the two-sided error that may be spent when a fraction of the information is there.

    The function of O'Brien-Fleming type of Lan & DeMets (1983), on each side alpha / 2:
    2 (1 - Phi(z(alpha / 4) / sqrt t)). It gives away next to nothing early and all of alpha at t = 1.

    Parameters
    ----------
    information : array_like
        Fractions above 0; beyond 1 all is spent.
    alpha : float
        Two-sided.

    References
    ----------
    Lan KKG, DeMets DL (1983). Biometrika 70:659-663.

    Examples
    --------
    >>> spending([0.5, 1.0]).round(5).tolist()
    [0.00305, 0.05]
    """
    share = np.minimum(np.asarray(information, dtype=float), 1.0)
    reach = -special.ndtri(alpha / 4)
    return np.asarray(4 * special.ndtr(-reach / np.sqrt(share)), dtype=float)


def spending_boundaries(information: ArrayLike, alpha: float = 0.05) -> SpendingBoundaries:
    """Return the boundaries for looks at rising fractions of the information.

    Parameters
    ----------
    information : array_like of shape (looks,)
        Rising fractions above 0. A look beyond 1 spends nothing more than the first that reaches 1.
    alpha : float
        Two-sided error in all.

    Returns
    -------
    SpendingBoundaries
        Arrays of shape (looks,).

    Raises
    ------
    ValueError
        When the fractions do not rise from above 0, or alpha is not between 0 and 1.

    References
    ----------
    Lan & DeMets (1983); DeMets DL, Lan KKG (1994). Stat Med 13:1341-1352.
    """
    times = np.atleast_1d(np.asarray(information, dtype=float))
    if times.ndim != 1 or not len(times) or not np.isfinite(times).all() or times[0] <= 0:
        raise ValueError("information must be finite fractions above 0")
    if (np.diff(times) <= 0).any() or not 0 < alpha < 1:
        raise ValueError("information must rise from look to look, and alpha lie between 0 and 1")
    spent = spending(times, alpha)
    step = np.diff(spent, prepend=0.0)
    boundary = np.empty(len(times))
    points: FloatArray = np.zeros(1)
    mass: FloatArray = np.ones(1)
    before = 0.0
    for look, time in enumerate(times):
        spread = math.sqrt(time - before)
        boundary[look] = _boundary(points, mass, spread, math.sqrt(time), step[look] / 2)
        reach = min(boundary[look], _FAR) * math.sqrt(time)
        points, mass = _carried(points, mass, spread, reach)
        before = float(time)
    return SpendingBoundaries(boundary=boundary, spent=spent)


def _beyond(points: FloatArray, mass: FloatArray, spread: float, limit: float) -> float:
    """Return the probability of being inside so far and then above a limit of the partial sum."""
    return float(np.sum(mass * special.ndtr((points - limit) / spread)))


def _boundary(points: FloatArray, mass: FloatArray, spread: float, root: float, wanted: float) -> float:
    if wanted <= 0 or _beyond(points, mass, spread, _FAR * root) > wanted:
        return math.inf
    low, high = 0.0, _FAR
    for _ in range(70):
        middle = 0.5 * (low + high)
        if _beyond(points, mass, spread, middle * root) > wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _carried(
    points: FloatArray, mass: FloatArray, spread: float, reach: float
) -> tuple[FloatArray, FloatArray]:
    """Carry the density of the partial sum inside the boundaries to the next look (Gauss-Legendre)."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    new = reach * nodes
    gap = (new[:, None] - points[None, :]) / spread
    density = np.exp(-0.5 * gap**2) @ mass / (spread * math.sqrt(2 * math.pi))
    return new, density * weights * reach
