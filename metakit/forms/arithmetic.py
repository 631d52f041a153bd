"""Small arithmetic that the rules share: rounding of typed numbers, the largest possible spread."""

from __future__ import annotations

import math
import re


def half_step(typed: str) -> float:
    """Return half of the last decimal of a number as typed: 0.05 for '3.2', 0.5 for '12', 0 for nothing."""
    found = re.fullmatch(r"\s*[+-]?\d*(?:\.(\d*))?\s*%?\s*", typed.replace("\u2212", "-"))
    if not found or not typed.strip():
        return 0.0
    return 0.5 * 10.0 ** -len(found.group(1) or "")


def most_spread(low: float, high: float, mean: float | None, size: int | None) -> float:
    """Return the largest sample standard deviation that values between two ends can have.

    The population variance is at most (high - mean)(mean - low), at most a quarter of the squared range
    (Bhatia & Davis 2000, Popoviciu 1935; from memory); the sample form multiplies by n / (n - 1), at most 2.
    """
    middle = (low + high) / 2 if mean is None or not low <= mean <= high else mean
    factor = 2.0 if size is None or size < 2 else size / (size - 1)
    return math.sqrt(factor * (high - middle) * (middle - low))


def p_of_z(z: float) -> float:
    """Return the two-sided p of a standard normal deviate."""
    return math.erfc(abs(z) / math.sqrt(2))


def pearson_p(events_1: int, total_1: int, events_2: int, total_2: int, *, corrected: bool = False) -> float:
    """Return p of the chi-squared test of a fourfold table, with Yates' correction if asked.

    Without events it is 1. Written out, since checking a record must not load a numerical library.
    """
    a, b, c, d = events_1, total_1 - events_1, events_2, total_2 - events_2
    margins = (a + b) * (c + d) * (a + c) * (b + d)
    if not margins:
        return 1.0
    size = a + b + c + d
    distance: float = abs(a * d - b * c)
    if corrected:
        distance = max(distance - size / 2, 0)
    return p_of_z(math.sqrt(size * distance**2 / margins))


def fisher_p(events_1: int, total_1: int, events_2: int, total_2: int) -> float:
    """Return the two-sided p of Fisher's exact test: all tables as likely as the one seen, or less."""
    events = events_1 + events_2
    low, high = max(0, events - total_2), min(total_1, events)
    ways = [math.comb(total_1, x) * math.comb(total_2, events - x) for x in range(low, high + 1)]
    seen = ways[events_1 - low]
    return sum(way for way in ways if way <= seen) / sum(ways)
