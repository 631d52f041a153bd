"""When an answer of another library may be compared: only where its own iteration has met its equation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def met_paule_mandel(effect: NDArray[np.float64], variance: NDArray[np.float64], tau2: float) -> bool:
    """Tell whether tau2 solves Q(tau2) = k - 1 (Paule & Mandel 1982), or is 0 where Q(0) is no larger.

    statsmodels steps by Newton from 0 and answers 0 when rounding takes a step below the root, which it
    does on some processors and not on others.
    """
    weight = 1 / (variance + tau2)
    mean = np.sum(weight * effect) / np.sum(weight)
    excess = float(np.sum(weight * (effect - mean) ** 2)) - (len(effect) - 1)
    return abs(excess) < 1e-7 * len(effect) or (tau2 == 0 and excess < 0)
