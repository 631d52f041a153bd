"""The Freeman-Tukey double arcsine of a proportion and Miller's way back: only to reproduce older reviews.

References
----------
Freeman MF, Tukey JW (1950). Ann Math Stat 21:607-611. Miller JJ (1978). Am Stat 32:138.
Schwarzer G et al. (2019). Res Synth Methods 10:476-483 and Röver C, Friede T (2022). Res Synth Methods
13:645-648, who show how the way back misleads.
"""

from __future__ import annotations

import numpy as np

from metakit.core.effects import FloatArray


@np.errstate(invalid="ignore")
def double_arcsine(events: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return half the sum of asin sqrt(x/(n+1)) and asin sqrt((x+1)/(n+1)), with variance 1/(4n + 2).

    Half the sum has the size of the plain arcsine; Freeman and Tukey's own form is twice this value, with
    four times the variance, 1/(n + 1/2).

    Parameters
    ----------
    events, total : ndarray of float
        x of n; shapes broadcast.

    Returns
    -------
    effect, variance : ndarray of float
    """
    lower = np.arctan2(np.sqrt(events), np.sqrt(total + 1 - events))
    upper = np.arctan2(np.sqrt(events + 1), np.sqrt(total - events))
    return (lower + upper) / 2, np.asarray(1 / (4 * total + 2) + 0 * lower)


def miller_back_transform(value: FloatArray, total: FloatArray) -> FloatArray:
    """Return the proportion whose double arcsine at sample size `total` is `value` (Miller 1978).

    For a pooled value Miller puts the harmonic mean of the sample sizes in the place of `total`
    (`harmonic_mean`). That choice is the weak point: with very unequal sizes the result can lie far from
    every study, so it must not be reported without the crude proportion beside it (Schwarzer 2019; Röver &
    Friede 2022).

    Parameters
    ----------
    value : ndarray of float
        On the scale of `double_arcsine` (half the sum).
    total : ndarray of float
        Sample size, above 0.

    Returns
    -------
    ndarray of float
        Between 0 and 1; values beyond those of 0 and `total` events give 0 and 1.

    Examples
    --------
    >>> effect, _ = double_arcsine(3.0, 11.0)
    >>> float(miller_back_transform(effect, 11.0).round(12)) == round(3 / 11, 12)
    True
    """
    value, total = np.broadcast_arrays(np.asarray(value, dtype=float), np.asarray(total, dtype=float))
    lowest, _ = double_arcsine(np.zeros_like(total), total)
    highest, _ = double_arcsine(total, total)
    inside = (value > lowest) & (value < highest)
    arc = 2 * np.where(inside, value, np.pi / 4)
    sine = np.sin(arc)
    root = np.sqrt(np.maximum(1 - (sine + (sine - 1 / sine) / total) ** 2, 0.0))
    share = (1 - np.sign(np.cos(arc)) * root) / 2
    return np.where(inside, share, np.where(value <= lowest, 0.0, 1.0))[()]


def harmonic_mean(total: FloatArray) -> float:
    """Return the harmonic mean of sample sizes, Miller's `total` for a pooled value."""
    sizes = np.asarray(total, dtype=float)
    return float(sizes.size / np.sum(1 / sizes))
