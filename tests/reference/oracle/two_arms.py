"""Two arms with events a of n1 and c of n2: five effect measures and the zero-cell policies.

Sources: Cochrane Handbook chapters 6 and 10; Yusuf 1985 (Peto); Rucker 2009 (arcsine difference);
Sweeting 2004 (treatment-arm correction).
"""

from __future__ import annotations

from mpmath import mp

from .precision import Number, exact

RATIOS = ("risk_ratio", "odds_ratio", "peto_odds_ratio")


def corrected_cells(
    a: Number, n1: Number, c: Number, n2: Number, policy: str
) -> tuple[Number, Number, Number, Number]:
    """Return a, b, c, d after the policy; only a study with a zero cell is touched."""
    b, d = n1 - a, n2 - c
    if policy == "none" or min(a, b, c, d) > 0:
        return a, b, c, d
    if policy == "constant":
        half = exact(["0.5"])[0]
        return a + half, b + half, c + half, d + half
    if policy == "treatment_arm":
        ratio = n2 / n1
        k1, k2 = 1 / (ratio + 1), ratio / (ratio + 1)
        return a + k1, b + k1, c + k2, d + k2
    raise ValueError(f"unknown policy {policy}")


def effect(measure: str, row: tuple[object, ...], policy: str = "none") -> tuple[Number, Number] | None:
    """Return effect and variance of one study, or None where it says nothing on the measure."""
    a, n1, c, n2 = exact(row)
    if measure in RATIOS and (a == c == 0 or (a == n1 and c == n2)):
        return None
    if measure == "peto_odds_ratio":
        expected, variance = peto_parts(a, n1, c, n2)
        return (a - expected) / variance, 1 / variance
    if measure == "arcsine_difference":
        return mp.asin(mp.sqrt(a / n1)) - mp.asin(mp.sqrt(c / n2)), 1 / (4 * n1) + 1 / (4 * n2)
    if measure == "risk_difference":
        return risk_difference(a, n1, c, n2, policy)
    a, b, c, d = corrected_cells(a, n1, c, n2, policy)
    n1, n2 = a + b, c + d
    if measure == "risk_ratio":
        if min(a, c) == 0:
            return None
        return mp.log(a / n1) - mp.log(c / n2), 1 / a - 1 / n1 + 1 / c - 1 / n2
    if measure == "odds_ratio":
        if min(a, b, c, d) == 0:
            return None
        return mp.log(a * d / (b * c)), 1 / a + 1 / b + 1 / c + 1 / d
    raise ValueError(f"unknown measure {measure}")


def risk_difference(
    a: Number, n1: Number, c: Number, n2: Number, policy: str
) -> tuple[Number, Number] | None:
    """Return the difference as observed; a correction enters only its variance, and only where that is zero.

    Nothing has to be added to compute a difference of risks (the collection of worked examples adds nothing to
    magnesium's 0 of 22 either); an uneven correction would turn 0 of n1 against 0 of n2 into a difference.
    """

    def variance(a: Number, b: Number, c: Number, d: Number) -> Number:
        return a * b / (a + b) ** 3 + c * d / (c + d) ** 3

    value = variance(a, n1 - a, c, n2 - c)
    if value == 0:
        value = variance(*corrected_cells(a, n1, c, n2, policy))
    return None if value == 0 else (a / n1 - c / n2, value)


def peto_parts(a: Number, n1: Number, c: Number, n2: Number) -> tuple[Number, Number]:
    """Return the expected events in arm 1 and the hypergeometric variance."""
    n, events = n1 + n2, a + c
    return n1 * events / n, n1 * n2 * events * (n - events) / (n * n * (n - 1))
