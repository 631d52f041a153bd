"""What is said of coefficients: of a regression, a network, its components, by one rule for all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.numerics.posteriors.spread_integral import SpreadPosterior


def quantile(df: float, level: float) -> float:
    """Return the upper quantile of a central interval: of t, or of the normal with infinite degrees."""
    tail = 0.5 + level / 2
    return float(special.ndtri(tail) if math.isinf(df) else special.stdtrit(df, tail))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coefficients:
    """Coefficients of one regression, told from a posterior, or by a quantile of t or the normal.

    values (p,), covariance (p, p); `df` of the t quantile, infinite for the normal.
    """

    values: FloatArray
    covariance: FloatArray
    df: float
    posterior: SpreadPosterior | None
    level: float

    def tell(self, row: FloatArray) -> tuple[float, float, Limits, float]:
        """Return estimate, error, interval and two-sided tail area of one combination of coefficients."""
        if self.posterior is not None:
            one = self.posterior.contrasts(row[None])
            tails = np.array([0.5, 0.5 - self.level / 2, 0.5 + self.level / 2])
            middle, low, high = (float(value) for value in one.times(3).quantile(tails))
            above = float(one.tail_above(np.zeros(1))[0])
            return middle, float(one.moments()[1][0]), Limits(low, high), 2 * min(above, 1 - above)
        estimate = float(row @ self.values)
        error = math.sqrt(max(float(row @ self.covariance @ row), 0.0))
        half = quantile(self.df, self.level) * error
        size = -abs(estimate) / error if error > 0 else -math.inf
        tail = float(special.ndtr(size) if math.isinf(self.df) else special.stdtr(self.df, size))
        return estimate, error, Limits(estimate - half, estimate + half), 2 * tail

    def in_a_new_centre(self, row: FloatArray, tau2: float) -> Limits:
        """Return where a new study's own effect is expected at one combination of coefficients."""
        if self.posterior is not None:
            ahead = self.posterior.in_a_new_centre(row[None])
            low, high = ahead.times(2).quantile(np.array([0.5 - self.level / 2, 0.5 + self.level / 2]))
            return Limits(float(low), float(high))
        estimate = float(row @ self.values)
        reach = quantile(self.df, self.level) * math.sqrt(float(row @ self.covariance @ row) + tau2)
        return Limits(estimate - reach, estimate + reach)

    def test(self, rows: FloatArray) -> TestStatistic | None:
        """Test whether some combinations of coefficients are all zero, None without any.

        Under a posterior the tail area given tau is averaged over it; for one combination it is the two-sided
        area beyond zero, so that it agrees with the interval.

        Parameters
        ----------
        rows : ndarray, shape (m, p), linearly independent
        """
        m = len(rows)
        if not m:
            return None
        if self.posterior is None:
            some = rows @ self.values
            q = float(some @ np.linalg.solve(rows @ self.covariance @ rows.T, some))
            if math.isinf(self.df):
                return TestStatistic(q, m, float(special.chdtrc(m, q)))
            return TestStatistic(q / m, m, float(special.fdtrc(m, self.df, q / m)))
        given = self.posterior.given
        each = given.coefficients @ rows.T
        inside = rows @ given.covariance @ rows.T
        q_given = np.vecdot(each, np.linalg.solve(inside, each[..., None])[..., 0])
        p_value = float(self.posterior.average(np.asarray(special.chdtrc(m, q_given))))
        if m == 1:
            p_value = self.tell(rows[0])[3]
        return TestStatistic(float(self.posterior.average(q_given)), m, p_value)
