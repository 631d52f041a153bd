"""The exact small-sample factor of a standardised mean difference.

References
----------
Hedges LV (1981). J Educ Stat 6:107-128.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray

# ln Gamma(z + 1/2) - ln Gamma(z) - ln(z)/2 = sum of c_j z^-(2j+1), from Stirling's series with Bernoulli
# polynomials (Abramowitz & Stegun 6.1.40). From z = 32 on the first left-out term is below 1e-16.
_SERIES = (-1 / 8, 1 / 192, -1 / 640, 17 / 14336)
_LARGE = 32.0


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def hedges_factor(df: FloatArray) -> FloatArray:
    """Return J = gamma(df/2) / (sqrt(df/2) gamma((df-1)/2)), which turns d into Hedges' g.

    Parameters
    ----------
    df : ndarray of float
        Degrees of freedom of the standard deviation, n1 + n2 - 2 for two arms.

    Returns
    -------
    ndarray of float
        Between 0 and 1; NaN at 1 degree of freedom or less, where d has no mean.

    References
    ----------
    Hedges (1981).

    Examples
    --------
    >>> hedges_factor(10.0).round(4)
    np.float64(0.9227)
    """
    df = np.asarray(df, dtype=np.float64)
    z = (df - 1) / 2
    small = np.where((z > 0) & (z < _LARGE), z, 1.0)
    direct = special.gamma(small + 0.5) / special.gamma(small) / np.sqrt(small + 0.5)
    large = np.where(z >= _LARGE, z, _LARGE)
    square = 1 / large**2
    tail = (_SERIES[0] + square * (_SERIES[1] + square * (_SERIES[2] + square * _SERIES[3]))) / large
    series = np.exp(tail + 0.5 * np.log1p(-1 / (2 * large + 1)))
    return np.asarray(np.where(z >= _LARGE, series, np.where(z > 0, direct, np.nan)))[()]
