"""Counts that share a total: the Dirichlet-multinomial and its posterior, by Gaussian rules that are exact.

The model (Mosimann 1962, from memory): the counts of study i are multinomial with shares that are Dirichlet(s theta);
theta is Dirichlet(1/C, ..., 1/C); tau = 2 / sqrt(s) is half-normal. With h = 1 / s = tau^2 / 4 the likelihood is

    prod_c prod_{j < y_c} (theta_c + j h) / prod_{j < n} (1 + j h)

for each study: a polynomial in theta, which a Gauss-Jacobi rule for the prior's weight integrates exactly, and even
and analytic in tau, which the trapezoid rule takes geometrically well.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, total
from .whole_line import even_cdf, even_mean, gauss_jacobi

Counts = Sequence[Sequence[int]]  # causes, then studies


def log_probability(y: Sequence[int], alpha: Vector) -> Number:
    """Return the log probability of one study's counts, with the multinomial coefficient (Mosimann 1962)."""
    n, s = sum(y), total(alpha)
    value = mp.loggamma(n + 1) - total(mp.loggamma(mpf(c) + 1) for c in y)
    value += mp.loggamma(s) - mp.loggamma(s + n)
    return value + total(mp.loggamma(a + c) - mp.loggamma(a) for a, c in zip(alpha, y, strict=True))


def rising(x: Number, h: Number, row: Sequence[int]) -> Number:
    """Return prod over studies of x (x + h) ... (x + (y - 1) h)."""
    value = mpf(1)
    for y in row:
        for j in range(y):
            value *= x + j * h
    return value


@cache
def rule(n: int, a: Number, b: Number) -> tuple[Vector, Vector]:
    """Keep Gauss-Jacobi rules."""
    return gauss_jacobi(n, a, b)


class CausesPosterior:
    """Posterior of the shares and of tau."""

    def __init__(self, counts: Counts, scale: Number) -> None:
        self.counts = [list(row) for row in counts]
        self.causes = len(self.counts)
        self.a = mpf(1) / self.causes
        self.returns = [sum(column) for column in zip(*self.counts, strict=True)]
        self.n = sum(self.returns)
        self.step = min(mpf(2) / mp.sqrt(max(*self.returns, 2)), scale) / 7
        self.taus = [self.step * i for i in range(int(mpf("10.5") * scale / self.step) + 1)]
        self.prior = [
            mp.exp(-((tau / scale) ** 2) / 2)
            * mp.sqrt(2 / mp.pi)
            / scale
            * self.step
            * (mpf(1) / 2 if i == 0 else 1)
            for i, tau in enumerate(self.taus)
        ]
        self.profiles = [self._profile(c) for c in range(self.causes)]

    def rest(self, others: Sequence[int], w: Number, h: Number) -> Number:
        """Integrate the other causes' polynomial over the shares that they split w in, with the prior's weight.

        The weight is prod t^(a-1) over the simplex; powers of w that belong to the prior are left to the caller.
        """
        if len(others) == 1:
            return rising(w, h, self.counts[others[0]])
        first, more = others[0], others[1:]
        degree = sum(sum(self.counts[c]) for c in others)
        nodes, weights = rule(degree // 2 + 1, self.a, len(more) * self.a)
        return total(
            weight * rising(w * t, h, self.counts[first]) * self.rest(more, w * (1 - t), h)
            for t, weight in zip(nodes, weights, strict=True)
        )

    def _profile(self, cause: int) -> tuple[Vector, Vector, Vector]:
        """Return nodes of one share, their rule, and the polynomial there with tau integrated out."""
        nodes, weights = rule(self.n + 1, self.a, 1 - self.a)
        others = [c for c in range(self.causes) if c != cause]
        sums = [mpf(0)] * len(nodes)
        masses = []
        for tau, prior in zip(self.taus, self.prior, strict=True):
            h = tau**2 / 4
            crowd = mpf(1)
            for n in self.returns:
                crowd *= rising(mpf(1), h, [n])
            here = [
                prior / crowd * rising(x, h, self.counts[cause]) * self.rest(others, 1 - x, h) for x in nodes
            ]
            masses.append(total(w * v for w, v in zip(weights, here, strict=True)))
            sums = [s + v for s, v in zip(sums, here, strict=True)]
        whole = total(masses)
        self.tau_mass = [mass / whole for mass in masses]
        # the prior of the shares has the constant G(1) / G(a)^C
        self.log_marginal = mp.log(whole) - self.causes * mp.loggamma(self.a)
        return nodes, weights, [value / whole for value in sums]

    # --- answers ---

    def mean(self, cause: int) -> Number:
        """Return the posterior mean of a share."""
        nodes, weights, values = self.profiles[cause]
        return total(x * w * v for x, w, v in zip(nodes, weights, values, strict=True))

    def polynomial(self, cause: int, x: Number) -> Number:
        """Return the polynomial factor of a share's density, through its nodes (barycentric form)."""
        nodes, _, values = self.profiles[cause]
        top, bottom = mpf(0), mpf(0)
        for i, (node, value) in enumerate(zip(nodes, values, strict=True)):
            if x == node:
                return value
            weight = self._barycentric(cause)[i] / (x - node)
            top += weight * value
            bottom += weight
        return top / bottom

    def _barycentric(self, cause: int) -> Vector:
        if not hasattr(self, "_weights"):
            self._weights: dict[int, Vector] = {}
        if cause not in self._weights:
            nodes = self.profiles[cause][0]
            self._weights[cause] = [
                1 / mp.fprod(node - other for j, other in enumerate(nodes) if j != i)
                for i, node in enumerate(nodes)
            ]
        return self._weights[cause]

    def cdf(self, cause: int, q: Number) -> Number:
        """Return P(share <= q), from the nearer end."""
        b = 1 - self.a
        if q <= mpf(1) / 2:
            nodes, weights = rule(34, self.a, mpf(1))
            return q**self.a * total(
                w * (1 - q * x) ** (b - 1) * self.polynomial(cause, q * x)
                for x, w in zip(nodes, weights, strict=True)
            )
        r = 1 - q
        nodes, weights = rule(34, b, mpf(1))
        return 1 - r**b * total(
            w * (1 - r * x) ** (self.a - 1) * self.polynomial(cause, 1 - r * x)
            for x, w in zip(nodes, weights, strict=True)
        )

    def quantile(self, cause: int, p: Number) -> Number:
        """Return the p quantile of a share."""
        low, high = mpf(0), mpf(1)
        for _ in range(6):
            middle = (low + high) / 2
            low, high = (middle, high) if self.cdf(cause, middle) < p else (low, middle)
        if low == 0:  # a share may lie near zero by many powers of ten
            low = high / 2
            while self.cdf(cause, low) > p:
                low, high = low / 16, low
        return bracketed_root(lambda q: self.cdf(cause, q) - p, low, high, digits=22)

    def share(self, cause: int, level: Number) -> dict[str, object]:
        """Return mean, median and limits of one share."""
        return {
            "mean": self.mean(cause),
            "median": self.quantile(cause, mpf(1) / 2),
            "interval": [self.quantile(cause, (1 - level) / 2), self.quantile(cause, (1 + level) / 2)],
        }

    def summary(self, level: Number) -> dict[str, object]:
        """Return means, medians, limits, tau and the log marginal likelihood."""
        low, high, half = (1 - level) / 2, (1 + level) / 2, mpf(1) / 2

        def tau_quantile(p: Number) -> Number:
            return bracketed_root(
                lambda q: even_cdf(self.tau_mass, self.step, q) - p, mpf(0), self.taus[-1], digits=20
            )

        return {
            "shares": [self.share(c, level) for c in range(self.causes)],
            "tau_mean": even_mean(self.tau_mass, self.step),
            "tau_median": tau_quantile(half),
            "tau_interval": [tau_quantile(low), tau_quantile(high)],
            "log_marginal": self.log_marginal,
        }
