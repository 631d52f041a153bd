"""Small formulas written so that nearly equal inputs lose no digits."""

from __future__ import annotations

import numpy as np

from metakit.core.effects import FloatArray


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def log_ratio(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    """Return ln(numerator/denominator) of positive numbers, to full precision also near 0.

    The logarithm of a rounded ratio near 1 keeps few digits; ln(1 + x) of the difference keeps them all.
    """
    near = np.log1p((numerator - denominator) / denominator)
    far = np.log(numerator / denominator)
    close = np.abs(numerator - denominator) < 0.5 * denominator
    return np.asarray(np.where(close, near, far), dtype=np.float64)


@np.errstate(divide="ignore", invalid="ignore")
def arcsine_difference(
    events_1: FloatArray, others_1: FloatArray, events_2: FloatArray, others_2: FloatArray
) -> FloatArray:
    """Return asin sqrt p1 - asin sqrt p2 from the four cells, as one arc tangent.

    With both arcs between 0 and pi/2, sine and cosine of the difference follow from the addition theorems;
    the sine's numerator a d - b c is exact for counts, so equal proportions give exactly 0.
    """
    first = np.sqrt(events_1 * others_2)
    second = np.sqrt(others_1 * events_2)
    together = first + second
    sine = np.where(
        together > 0, (events_1 * others_2 - others_1 * events_2) / np.where(together > 0, together, 1.0), 0.0
    )
    cosine = np.sqrt(events_1 * events_2) + np.sqrt(others_1 * others_2)
    return np.asarray(np.arctan2(sine, cosine), dtype=np.float64)
