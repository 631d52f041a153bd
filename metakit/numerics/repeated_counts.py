"""Limits for a running count held against what is expected, valid however often somebody looks.

Events come as a Poisson process whose expected number E grows with time; after n events the log likelihood
ratio against n being expected is n ln(n / E) - (n - E). The count has left its limits once that ratio reaches
a critical value, chosen so that a process that does as expected ever leaves them, up to a stated expected
number, with a stated probability. Nothing is simulated: the count is followed exactly from one time at which
a limit moves to the next.

References
----------
Kulldorff M, Davis RL, Kolczak M, Lewis E, Lieu T, Platt R (2011). A maximized sequential probability ratio
test for drug and vaccine safety surveillance. Sequential Analysis 30:58-78.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.errors import UsageError
from metakit.numerics.roots import root_in_bracket
from metakit.numerics.weights import IndexArray

ALPHA = 0.05
MOST_EXPECTED = 2_000.0
"""Beyond this many expected events the exact computation takes too long to be waited for."""
_LARGEST_CRITICAL = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaving:
    """The probabilities of ever being above the upper limit first, and below the lower limit first."""

    above: float
    below: float

    @property
    def either(self) -> float:
        """The probability of leaving the limits at all."""
        return self.above + self.below


def leaving(
    critical: float, horizon: float, *, ratio: float = 1.0, upper: bool = True, lower: bool = True
) -> Leaving:
    """Return how likely a count leaves its limits before its expected number reaches the horizon.

    Parameters
    ----------
    critical : float
        Of the log likelihood ratio, above 0.
    horizon : float
        Expected number of events at which the watch ends.
    ratio : float
        True rate over the expected one.
    upper, lower : bool
        Which limits are watched.

    Returns
    -------
    Leaving

    Raises
    ------
    UsageError
        For numbers not above 0, or a horizon over `MOST_EXPECTED`.
    """
    if not (critical > 0 and 0 < horizon <= MOST_EXPECTED and ratio >= 0):
        raise UsageError(
            f"a critical value and a horizon above 0 (at most {MOST_EXPECTED:g} expected events) are needed"
        )
    early, late = turning_points(critical, horizon)
    # Whoever has as many events as this when the watch ends has left above; more need not be told apart.
    size = len(early) + 1 if upper else int(horizon * ratio + 12 * math.sqrt(horizon * ratio + 1) + 40)
    moves = [(float(time), 1, n) for n, time in enumerate(early, start=1)] if upper else []
    moves += [(horizon, 1, size)] if upper else []
    moves += [(float(time), 0, n) for n, time in enumerate(late)] if lower else []
    alive = np.zeros(size + 1)  # the last place holds all counts of `size` and more
    alive[0] = 1.0
    above = below = now = 0.0
    for time, up, n in sorted(moves):
        alive = _passed(alive, ratio * (time - now))
        now = time
        if up:
            above += float(alive[n:].sum())
            alive[n:] = 0.0
        else:
            below += float(alive[: n + 1].sum())
            alive[: n + 1] = 0.0
    return Leaving(above=above, below=below)


def _passed(alive: FloatArray, mean: float) -> FloatArray:
    """Carry the distribution of the count over a stretch with this expected number of events."""
    if mean <= 0:
        return alive
    events = np.arange(len(alive) - 1)
    chances = np.exp(events * math.log(mean) - mean - special.gammaln(events + 1))
    moved = np.convolve(alive[:-1], chances)[: len(alive) - 1]
    return np.append(moved, max(alive.sum() - moved.sum(), 0.0))


def turning_points(critical: float, horizon: float) -> tuple[FloatArray, FloatArray]:
    """Return when each count crosses a limit, as expected numbers up to the horizon.

    Returns
    -------
    early : ndarray
        For 1, 2, ... events: so many are too many as long as no more than this is expected.
    late : ndarray
        For 0, 1, 2, ... events: so few are too few once this much is expected.
    """
    most = int(horizon + 12 * math.sqrt(horizon + 1) + 4 * critical + 40)
    counts = np.arange(1, most)
    place = -np.exp(-(1 + critical / counts))
    early = -counts * special.lambertw(place, 0).real
    late = np.append(critical, -counts * special.lambertw(place, -1).real)
    return early[early < horizon], late[late <= horizon]


def critical_value(horizon: float, *, alpha: float = ALPHA, upper: bool = True, lower: bool = True) -> float:
    """Return the critical value that a count which does as expected ever reaches with probability alpha.

    Parameters
    ----------
    horizon : float
        Expected number of events at which the watch ends.
    alpha : float
    upper, lower : bool
        Which limits are watched.

    Examples
    --------
    >>> round(critical_value(10, lower=False), 4)
    3.468
    """
    if not 0 < alpha < 1:
        raise UsageError("alpha lies between 0 and 1")

    def over(values: FloatArray, _rows: IndexArray) -> FloatArray:
        return np.array([leaving(v, horizon, upper=upper, lower=lower).either - alpha for v in values])

    return float(root_in_bracket(over, np.array([0.1]), np.array([_LARGEST_CRITICAL])).root[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class CountLimits:
    """At one expected number: `above` or more are too many, `below` or fewer too few (None: none are)."""

    expected: float
    above: int
    below: int | None


def limits_at(expected: float, critical: float) -> CountLimits:
    """Return the limits of a count when so many events are expected."""
    high = math.floor(expected) + 1
    while _likelihood_ratio(high, expected) < critical:
        high += 1
    low = math.ceil(expected) - 1
    while low >= 0 and _likelihood_ratio(low, expected) < critical:
        low -= 1
    return CountLimits(expected=expected, above=high, below=low if low >= 0 else None)


def _likelihood_ratio(count: int, expected: float) -> float:
    return count * math.log(count / expected) - (count - expected) if count else expected
