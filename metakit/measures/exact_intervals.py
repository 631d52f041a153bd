"""Exact and score intervals of a single study, in natural units, for any array of counts.

They rest on beta and gamma quantiles, so effective (non-whole) numbers are allowed.

References
----------
Clopper CJ, Pearson ES (1934). Biometrika 26:404-413. Wilson EB (1927). J Am Stat Assoc 22:209-212.
Garwood F (1936). Biometrika 28:437-442.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray


def clopper_pearson(events: FloatArray, total: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Return the exact binomial interval of a proportion.

    Parameters
    ----------
    events, total : ndarray of float
        x of n; 0 <= x <= n. Shapes broadcast.
    level : float
        Coverage, such as 0.95. Each tail holds half of the rest, also where x is 0 or n.

    Returns
    -------
    lower, upper : ndarray of float
        0 where x is 0, 1 where x is n.

    References
    ----------
    Clopper & Pearson (1934).

    Examples
    --------
    >>> clopper_pearson(0.0, 20.0, 0.95)[1].round(3)
    np.float64(0.168)
    """
    events, total = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(total, dtype=float))
    tail = (1 - level) / 2
    others = total - events
    # The functions are undefined for an empty side; 1 stands in and is replaced below.
    lower = special.betaincinv(np.where(events > 0, events, 1.0), others + 1, tail)
    upper = special.betainccinv(events + 1, np.where(others > 0, others, 1.0), tail)
    return np.where(events > 0, lower, 0.0)[()], np.where(others > 0, upper, 1.0)[()]


def wilson(events: FloatArray, total: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Return the score interval of a proportion.

    Parameters
    ----------
    events, total : ndarray of float
        x of n; 0 <= x <= n. Shapes broadcast.
    level : float
        Coverage, such as 0.95.

    Returns
    -------
    lower, upper : ndarray of float

    References
    ----------
    Wilson (1927).
    """
    events, total = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(total, dtype=float))
    z2 = special.ndtri((1 + level) / 2) ** 2
    others = total - events
    # Written without subtraction of nearly equal terms: lower and upper are the roots of one quadratic.
    root = np.sqrt(z2 * (z2 + 4 * events * others / total))
    upper = (2 * events + z2 + root) / (2 * (total + z2))
    lower = 2 * events**2 / total / (2 * events + z2 + root)
    return np.asarray(lower)[()], np.asarray(np.where(others > 0, upper, 1.0))[()]


def exact_poisson(events: FloatArray, time: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Return the exact Poisson interval of a rate, x events over T.

    Parameters
    ----------
    events, time : ndarray of float
        x >= 0 and T > 0. Shapes broadcast.
    level : float
        Coverage, such as 0.95.

    Returns
    -------
    lower, upper : ndarray of float
        Per unit of T; the lower limit is 0 where x is 0.

    References
    ----------
    Garwood (1936).

    Examples
    --------
    >>> exact_poisson(0.0, 100.0, 0.95)[1].round(4)
    np.float64(0.0369)
    """
    events, time = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(time, dtype=float))
    tail = (1 - level) / 2
    lower = special.gammaincinv(np.where(events > 0, events, 1.0), tail)
    upper = special.gammainccinv(events + 1, tail)
    return np.where(events > 0, lower / time, 0.0)[()], (upper / time)[()]
