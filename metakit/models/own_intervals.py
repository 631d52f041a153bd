"""The interval of one two-arm study by itself: score for risks, conditional and exact with mid-p for ratios.

References
----------
Miettinen & Nurminen (1985) for the score interval of a difference and a ratio of risks; Berry & Armitage
(1995) for mid-p limits.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import special

from metakit.core.limits import Limits
from metakit.numerics.of_counts.one_stage_densities import hypergeometric_support

_FAR = 60.0  # logarithms of a ratio beyond which a limit is taken for unbounded
_NEAR = 1e-9


def score_difference(a: float, n1: float, c: float, n2: float, level: float) -> Limits:
    """Return the score interval of a risk difference (Miettinen & Nurminen 1985).

    Examples
    --------
    >>> [round(limit, 4) for limit in score_difference(56, 70, 48, 80, 0.95)]
    [0.0528, 0.3382]
    """
    observed = a / n1 - c / n2

    def score(difference: float) -> float:
        p1, p2 = _risks_apart(difference, a, n1, c, n2)
        return _score(observed - difference, p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2, n1 + n2)

    return _both_limits(score, observed, (-1 + _NEAR, 1 - _NEAR), (-1.0, 1.0), level)


def score_ratio(a: float, n1: float, c: float, n2: float, level: float) -> Limits:
    """Return the score interval of a log risk ratio (Miettinen & Nurminen 1985), infinite without an end.

    Examples
    --------
    >>> [round(math.exp(limit), 4) for limit in score_ratio(0, 140, 10, 140, 0.95)]
    [0.0, 0.3779]
    """

    def score(log_ratio: float) -> float:
        ratio = math.exp(log_ratio)
        p1, p2 = _risks_in_ratio(ratio, a, n1, c, n2)
        spread = p1 * (1 - p1) / n1 + ratio**2 * p2 * (1 - p2) / n2
        return _score(a / n1 - ratio * c / n2, spread, n1 + n2)

    return _both_limits(score, _log_ratio(a * n2, c * n1), (-_FAR, _FAR), (-math.inf, math.inf), level)


def mid_p_odds_ratio(a: float, n1: float, c: float, n2: float, level: float) -> Limits:
    """Return the conditional exact interval of a log odds ratio with mid-p limits (Berry & Armitage 1995)."""
    offset, weight = (
        part[0] for part in hypergeometric_support(*(np.array([value]) for value in (a, n1, c, n2)))
    )

    def excess(log_ratio: float) -> float:
        exponent = weight + offset * log_ratio
        mass = np.exp(exponent - exponent.max())
        mass /= mass.sum()
        return float(mass[offset > 0].sum() + mass[offset == 0].sum() / 2)

    return _mid_p(excess, _log_ratio(a * (n2 - c), c * (n1 - a)), level)


def mid_p_rate_ratio(a: float, t1: float, c: float, t2: float, level: float) -> Limits:
    """Return the conditional exact interval of a log rate ratio with mid-p limits (Berry & Armitage 1995).

    Examples
    --------
    >>> [round(math.exp(limit), 3) for limit in mid_p_rate_ratio(0, 10, 10, 10, 0.95)]
    [0.0, 0.349]
    """

    def excess(log_ratio: float) -> float:
        p = float(special.expit(log_ratio + math.log(t1 / t2)))
        more = float(special.betainc(a + 1, c, p)) if c > 0 else 0.0
        at_least = float(special.betainc(a, c + 1, p)) if a > 0 else 1.0
        return (more + at_least) / 2

    return _mid_p(excess, _log_ratio(a * t2, c * t1), level)


def _mid_p(excess: Callable[[float], float], estimate: float, level: float) -> Limits:
    """Solve for both limits: `excess` is the probability of more events in arm 1, ties counted half."""
    from scipy.optimize import brentq

    tail = (1 - level) / 2
    lower, upper = -math.inf, math.inf
    if math.isfinite(estimate) or estimate > 0:
        lower = float(brentq(lambda value: excess(value) - tail, -_FAR, _FAR, xtol=1e-12))
    if math.isfinite(estimate) or estimate < 0:
        upper = float(brentq(lambda value: excess(value) - (1 - tail), -_FAR, _FAR, xtol=1e-12))
    return Limits(lower, upper)


def _log_ratio(numerator: float, denominator: float) -> float:
    if numerator == 0:
        return -math.inf
    return math.log(numerator / denominator) if denominator else math.inf


def _score(gap: float, spread: float, size: float) -> float:
    variance = max(spread, 0.0) * size / (size - 1)
    return gap / math.sqrt(variance) if variance > 0 else math.copysign(math.inf, gap) if gap else 0.0


def _both_limits(
    score: Callable[[float], float],
    estimate: float,
    inside: tuple[float, float],
    ends: tuple[float, float],
    level: float,
) -> Limits:
    from scipy.optimize import brentq

    reach = float(special.ndtri(0.5 + level / 2))
    limits = []
    for sign, edge, end in ((1.0, inside[0], ends[0]), (-1.0, inside[1], ends[1])):

        def excess(value: float, sign: float = sign) -> float:
            return float(np.clip(sign * score(value) - reach, -1e9, 1e9))

        start = min(max(estimate, inside[0]), inside[1])
        if start == edge or excess(edge) <= 0:
            limits.append(end)
        else:
            limits.append(float(brentq(excess, edge, start, xtol=1e-13)))
    return Limits(*limits)


def _risks_apart(difference: float, a: float, n1: float, c: float, n2: float) -> tuple[float, float]:
    """Return the risks of largest likelihood that differ by `difference` (Miettinen & Nurminen 1985)."""
    n, m = n1 + n2, a + c
    cubic = np.array(
        [
            n,
            (n1 + 2 * n2) * difference - n - m,
            (n2 * difference - n - 2 * c) * difference + m,
            c * difference * (1 - difference),
        ]
    )
    low, high = max(0.0, -difference), min(1.0, 1.0 - difference)
    roots = np.roots(cubic)
    real = np.clip(roots[np.abs(roots.imag) < 1e-6].real, low, high)
    best, top = low, -math.inf
    for p2 in (*real.tolist(), low, high):
        p1 = min(max(p2 + difference, 0.0), 1.0)
        value = float(
            special.xlogy(a, p1)
            + special.xlog1py(n1 - a, -p1)
            + special.xlogy(c, p2)
            + special.xlog1py(n2 - c, -p2)
        )
        if value > top:
            best, top = p2, value
    return min(max(best + difference, 0.0), 1.0), best


def _risks_in_ratio(ratio: float, a: float, n1: float, c: float, n2: float) -> tuple[float, float]:
    """Return the risks of largest likelihood whose ratio is `ratio`."""
    first = (n1 + n2) * ratio
    second = -(n1 * ratio + a + n2 + c * ratio)
    third = a + c
    root = math.sqrt(max(second**2 - 4 * first * third, 0.0))
    p2 = 2 * third / (-second + root)  # the smaller root, written so that it does not cancel
    return min(p2 * ratio, 1.0), min(p2, 1.0)
