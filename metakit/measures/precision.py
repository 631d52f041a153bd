"""Which sampling variances double precision can hold beside each other; the others are refused in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SMALLEST, LARGEST = 1e-120, 1e120
"""Squares and products of weights must stay within 1e-308 to 1e308 (IEEE 754 double)."""
WIDEST = 1e26
"""Of the largest variance to the smallest: beyond it, sums of weights lose every study but one."""


def unfit_variances(
    variance: NDArray[np.float64], estimable: NDArray[np.bool_]
) -> tuple[tuple[int, str], ...]:
    """Return the rows whose variance cannot be computed with, and why; each at its row.

    Parameters
    ----------
    variance, estimable : ndarray, shape (k,)
        Only estimable rows are looked at.
    """
    rows = np.flatnonzero(estimable)
    if not len(rows):
        return ()
    found = [
        (int(row), f"a standard error of {np.sqrt(variance[row]):.3g} is beyond what can be computed with")
        for row in rows
        if not SMALLEST <= variance[row] <= LARGEST
    ]
    if found:
        return tuple(found)
    low, high = rows[np.argmin(variance[rows])], rows[np.argmax(variance[rows])]
    if variance[high] > WIDEST * variance[low]:
        what = (
            f"a standard error of {np.sqrt(variance[low]):.3g} beside one of {np.sqrt(variance[high]):.3g}: "
            "no sum can hold both; is one of them in other units?"
        )
        return ((int(low), what),)
    return ()
