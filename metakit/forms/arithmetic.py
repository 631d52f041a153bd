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
