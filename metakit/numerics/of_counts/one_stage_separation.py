"""The one limit that data still give when all studies lie at one end of what they could have shown."""

from __future__ import annotations

import numpy as np

from metakit.core.effects import FloatArray
from metakit.numerics.ascent import IntArray
from metakit.numerics.of_counts.one_stage_densities import binomial, hypergeometric, hypergeometric_support
from metakit.numerics.roots import root_in_bracket

_FARTHEST = 40.0


def one_sided_limit(columns: tuple[FloatArray, ...], error: float, *, rates: bool) -> float:
    """Return the exact conditional limit of a common log ratio, on the side that the data can set.

    When arm 1 has in every study the fewest (or the most) events that its totals allow, no result is more
    extreme, so the limit is where the probability of exactly these counts equals `error`.

    Parameters
    ----------
    columns : tuple of ndarray, shape (k,)
        Events and sizes of arm 1, then of arm 2, at an extreme throughout; whole counts, or person-time as
        sizes when `rates`.
    error : float
        One-sided error, such as 0.05.
    rates : bool
        Rate ratio instead of odds ratio.

    Returns
    -------
    float
        NaN when the counts say nothing (no study could have been otherwise).

    Examples
    --------
    >>> one = tuple(np.array([x]) for x in (0.0, 20.0, 4.0, 20.0))
    >>> round(float(np.exp(one_sided_limit(one, 0.05, rates=False))), 2)
    1.03
    """
    events_1, size_1, events_2, size_2 = columns
    both = events_1 + events_2
    present = both > 0

    def log_probability(ratio: float) -> float:
        if rates:
            shift = np.log(size_1[present] / size_2[present])
            curve = binomial(ratio + shift, (events_1[present], both[present]))
            return float(curve.value.sum())
        offset, weight = hypergeometric_support(events_1, size_1, events_2, size_2)
        curve = hypergeometric(np.full((1, len(both)), ratio), (offset[None], weight[None]))
        return float(curve.value.sum())

    def gap(ratio: FloatArray, rows: IntArray) -> FloatArray:
        return np.array([log_probability(float(one)) - np.log(error) for one in ratio])

    found = root_in_bracket(gap, np.array([-_FARTHEST]), np.array([_FARTHEST]))
    return float(found.root[0]) if found.converged[0] else float("nan")
