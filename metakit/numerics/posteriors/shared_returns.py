"""How likely counts that share a total are, where the log odds of every centre differ at random.

Shares of a centre are m_c exp(s z_c) / sum_d m_d exp(s z_d), z independent standard normal. The total n of
its counts y is given. A multinomial with given total is what independent Poisson counts with means exp(u +
log m_c + s z_c) leave once u is integrated out over the line (Baker 1994), and given u the causes are
independent:

    P(y) = n! / (G(n) prod y_c!) * integral over u of prod_c h(y_c, u + log m_c),
    h(y, x) = E_z exp(y e - exp(e)), e = x + s z.

So a centre with any number of causes costs one integral over u of products of a function of one variable,
which is tabulated once for each s. The integral over u is a trapezoidal rule on an even grid, which converges
faster than any power of its step for such functions (Trefethen & Weideman 2014); studies of about the same
size share a grid. log m is rounded to the step of the table, which changes a share by at most 1 in 1,000 of
itself, at random, before anything is computed from it: all results belong to the rounded values.

References
----------
Baker SG (1994). The multinomial-Poisson transformation. The Statistician 43:495-504.
Trefethen LN, Weideman JAC (2014). The exponentially convergent trapezoidal rule. SIAM Rev 56:385-458.
(Both from memory.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.weights import IndexArray

FINE = 9
"""The table has 2**FINE places to a unit of the logarithm."""
SMALLEST = -30.0
"""Logarithm below which a share is taken to be this: exp(-30) is 1e-13."""
_KNOWN = -14.0
"""Left end of what is integrated; further left log h is a straight line (0 for a count of 0)."""
_ALONE = 10.0
"""How far the integrand of one return reaches to the left of its middle: exp(-10) is 5e-5."""
_SPREADS = 5.0
"""How many standard deviations of a centre that grid reaches beyond it on either side."""
_ROOM, _WIDTHS = 2.5, 4.5
"""How far a study's grid reaches from its middle: this, and so many widths of its integrand."""
_ACROSS = np.arange(-13.0, 7.1, 0.5)
"""Places of the rule for h in standard deviations around the mode; the left tail is the longer one."""
_NUDGE = 16
"""Places of the table between the values of which derivatives are made."""
_ROWS = 512
"""Draws taken at once: their tables stay in the processor's cache."""


def log_poisson_normal(s: float, y: FloatArray, x: FloatArray) -> FloatArray:
    """Return log h(y, x), shape (len(y), len(x)), by a trapezoidal rule around the mode.

    Parameters
    ----------
    s : float
        Standard deviation of the logarithm between centres, above 0.
    y : ndarray, shape (Y,)
        Counts.
    x : ndarray, shape (X,)
        Logarithms of the Poisson mean of the median centre.
    """
    y, x = y[:, None], x[None, :]
    w = np.real(special.wrightomega(x + s * s * y + 2 * np.log(s)))
    mode, deviation = s * y - w / s, 1 / np.sqrt(1 + w)
    z = mode[..., None] + deviation[..., None] * _ACROSS
    e = x[..., None] + s * z
    terms = y[..., None] * e - np.exp(np.minimum(e, 700.0)) - z**2 / 2
    top = terms.max(axis=-1)
    total = np.exp(terms - top[..., None]).sum(axis=-1)
    return np.asarray(top + np.log(total * deviation * (_ACROSS[1] - _ACROSS[0]) / np.sqrt(2 * np.pi)))


class CentreTables:
    """log h for one s and the counts that occur, and what follows from it for studies.

    Parameters
    ----------
    s : float
        Standard deviation of the logarithm between centres.
    counts : ndarray of int, shape (causes, studies)
        Counts; every study has at least one.
    """

    def __init__(self, s: float, counts: IndexArray) -> None:
        self.s, self.counts = s, counts
        self._values = np.unique(np.concatenate([[0, 1], counts.ravel()]))
        self._row = {int(value): row for row, value in enumerate(self._values)}
        self._low = np.floor(SMALLEST - _ALONE - _SPREADS * s) - 1.0
        # Three units more than any grid reaches: steps of u and runs of the table end at whole ones.
        self._high = np.log(counts.sum(axis=0).max()) + _SPREADS * s + 9.0
        self._table = self._tabulated()
        self._grids: list[_Grid] = []

    def _tabulated(self) -> FloatArray:
        """Return log h at every place, shape (counts that occur, places)."""
        largest = float(self._values.max())
        sharpest = largest / (1 + largest * self.s**2) + 1  # curvature of log h
        coarse = min(max(2, int(np.ceil(np.log2(2 * np.sqrt(sharpest))))), FINE)
        known_from = _KNOWN - np.ceil(min(largest * self.s**2, 12.0))
        step, parts = 2.0**-coarse, 2 ** (FINE - coarse)
        x = np.asarray(
            known_from + step * np.arange(-2, int((self._high - known_from) / step) + 6), dtype=float
        )
        known = log_poisson_normal(self.s, self._values.astype(float), x)
        between = np.arange(parts) / parts
        inside = (sliding_window_view(known, 6, axis=-1) @ _lagrange(between)).reshape(len(known), -1)
        left = np.arange(int((known_from - self._low) * 2**FINE), 0, -1)
        slope = (inside[:, 1] - inside[:, 0])[:, None]
        return np.concatenate([inside[:, :1] - slope * left, inside], axis=-1)

    def lay(self, middle: FloatArray, precision: FloatArray) -> None:
        """Lay the grids of u: around where each study's integrand lies, in steps of its width.

        Parameters
        ----------
        middle, precision : ndarray, shape (studies,)
            Mode of the integrand and its curvature there, for shares in the middle of those that come.
        """
        width = 1 / np.sqrt(precision)
        low = middle - _ROOM - np.maximum(_WIDTHS * width, _ALONE / self.counts.sum(axis=0))
        high = np.minimum(middle + _ROOM + _WIDTHS * width, self._high - 3.0)
        low = np.maximum(low, -_ALONE - _SPREADS * self.s)
        levels = np.clip(np.ceil(0.5 * np.log2(precision) - 0.5), 0, FINE).astype(int)
        alone = self._grid(0, -_ALONE - _SPREADS * self.s, _SPREADS * self.s + 3.5, np.zeros(0, dtype=int))
        self._grids = [alone] + [
            self._grid(
                level,
                low[levels == level].min(),
                high[levels == level].max(),
                np.flatnonzero(levels == level),
            )
            for level in np.unique(levels).tolist()
        ]

    def around(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the first two derivatives of log h of every count at x, shape (causes, studies) each."""
        place = np.rint((x - self._low) * 2**FINE).astype(int)
        place = np.clip(place, _NUDGE, self._table.shape[1] - 1 - _NUDGE)
        rows, nudge = np.searchsorted(self._values, self.counts), _NUDGE / 2**FINE
        below, here, above = (self._table[rows, place + side] for side in (-_NUDGE, 0, _NUDGE))
        return (above - below) / (2 * nudge), (above - 2 * here + below) / nudge**2

    def rounded(self, log_share: FloatArray) -> FloatArray:
        """Return the logarithms of shares that results belong to."""
        return np.asarray(np.maximum(np.rint(log_share * 2**FINE), SMALLEST * 2**FINE) / 2**FINE)

    def likelihood(self, log_share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what the studies say of shares of the median centre.

        Parameters
        ----------
        log_share : ndarray, shape (causes, draws)
            Logarithms of m.

        Returns
        -------
        log_likelihood : ndarray, shape (draws,)
            Sum over studies, without the factors that do not depend on m.
        mean_share : ndarray, shape (causes, draws)
            Mean shares over centres: the probability that the only return of a centre has each cause.
        """
        draws = log_share.shape[1]
        log_likelihood, mean_share = np.empty(draws), np.empty(log_share.shape)
        for first in range(0, draws, _ROWS):
            here = slice(first, first + _ROWS)
            log_likelihood[here], mean_share[:, here] = self._rows(log_share[:, here])
        return log_likelihood, mean_share / mean_share.sum(axis=0)

    def _rows(self, log_share: FloatArray) -> tuple[FloatArray, FloatArray]:
        causes, draws = log_share.shape
        places = np.rint(self.rounded(log_share) * 2**FINE).astype(int)
        total, mean_share = np.zeros(draws), np.empty((causes, draws))
        for grid in self._grids:
            stride = 2 ** (FINE - grid.level)
            # Place of the first u plus log m in the table, as whole steps of u and what is left of them.
            start, phase = np.divmod(places + grid.first * stride - int(self._low * 2**FINE), stride)
            none = [grid.runs[0][phase[cause], start[cause]] for cause in range(causes)]
            together = none[0].copy()
            for more in none[1:]:
                together += more
            if not grid.studies:
                nobody = np.exp(together)
                for cause in range(causes):
                    one = grid.runs[1][phase[cause], start[cause]]
                    mean_share[cause] = np.einsum("du,du->d", one, nobody)
            beyond = {}
            for cause, value in grid.pairs:
                beyond[cause, value] = one = grid.runs[value][phase[cause], start[cause]]
                one -= none[cause]
            for study in grid.studies:
                terms = together + beyond[study[0]]
                for pair in study[1:]:
                    terms += beyond[pair]
                top = terms.max(axis=-1)
                terms -= top[:, None]
                total += top + np.log(np.exp(terms, out=terms).sum(axis=-1) / 2**grid.level)
        return total, mean_share

    def _grid(self, level: int, low: float, high: float, studies: IndexArray) -> _Grid:
        """Return a grid of u from low to high for some studies; for a return on its own without any."""
        stride, first = 2 ** (FINE - level), int(np.floor(low * 2**level))
        many = int(np.ceil(high * 2**level)) - first + 1
        pairs = tuple(
            tuple(
                (int(cause), int(self.counts[cause, study]))
                for cause in np.flatnonzero(self.counts[:, study])
            )
            for study in studies
        )
        every = tuple(sorted({pair for study in pairs for pair in study}))
        whole = self._table.shape[1] // stride * stride
        rows = {value: self._table[self._row[value], :whole] for value in {0, *(value for _, value in every)}}
        if not pairs:
            rows[1] = np.exp(self._table[self._row[1], :whole] - rows[0])
        runs = {
            value: sliding_window_view(row.astype(np.float32).reshape(-1, stride).T.copy(), many, axis=-1)
            for value, row in rows.items()
        }
        return _Grid(level, first, pairs, every, runs)


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Places first, first + 1, ... of u in steps of 2**-level.

    Attributes
    ----------
    studies : tuple
        Causes with counts above 0 of each study; empty for a return on its own.
    pairs : tuple
        Each cause and count once.
    runs : dict
        By count every run of places of the table in steps of u, shape (phases, starts, places of u); for a
        return on its own under 1 how much likelier it is than none, h(1, x) / h(0, x).
    """

    level: int
    first: int
    studies: tuple[tuple[tuple[int, int], ...], ...]
    pairs: tuple[tuple[int, int], ...]
    runs: dict[int, NDArray[np.float32]]


def _lagrange(between: FloatArray) -> FloatArray:
    """Return weights of six even places for values between the third and the fourth, shape (6, values)."""
    places = np.arange(-2.0, 4.0)
    weights = np.ones((6, len(between)))
    for row, place in enumerate(places):
        for other in np.delete(places, row):
            weights[row] *= (between - other) / (place - other)
    return weights
