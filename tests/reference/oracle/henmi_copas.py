"""The interval of Henmi & Copas 2010: common-effect mean, random-effects uncertainty.

Derived from the definition, not from printed code: R = sqrt(S1) (mean - theta) is normal with variance
1 + tau2 W2; given R, Cochran's Q is a quadratic form in normals whose first two moments are matched by a gamma;
U = R / sqrt(1 + tau2_hat W2) with the DerSimonian-Laird tau2_hat, a function of Q. Then
P(U > u) = integral over r > u of P(Q <= threshold(r / u) | R = r), and the interval is
mean -/+ u sqrt((1 + tau2_hat W2) / S1).
"""

from __future__ import annotations

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, total
from .tau2 import dersimonian_laird, weighted_mean, weights


def conditional_moments(v: Vector, tau2: Number) -> tuple[Number, Number, Number, Number]:
    """Return e0, e1, s0, s1 with E[Q | R = r] = e0 + e1 r^2 and Var[Q | R = r] = s0 + s1 r^2.

    y given R = r has mean theta + c r / V and covariance D - c c' / V, with D = diag(v + tau2),
    c = D w / sqrt(S1), V = c' w / sqrt(S1); Q = y' A y with A = diag(w) - w w' / S1.
    """
    k = len(v)
    w = weights(v, mpf(0))
    s1 = total(w)
    d = [vi + tau2 for vi in v]
    c = mp.matrix([di * wi / mp.sqrt(s1) for di, wi in zip(d, w, strict=True)])
    spread = total(ci * wi for ci, wi in zip(c, w, strict=True)) / mp.sqrt(s1)
    a = mp.diag(w) - mp.matrix(k, k)
    for i in range(k):
        for j in range(k):
            a[i, j] -= w[i] * w[j] / s1
    cov = mp.diag(d) - c * c.T / spread
    direction = c / spread
    product = a * cov
    e0 = total(product[i, i] for i in range(k))
    e1 = (direction.T * a * direction)[0]
    s0 = 2 * total(product[i, j] * product[j, i] for i in range(k) for j in range(k))
    s_slope = 4 * (direction.T * a * cov * a * direction)[0]
    return e0, e1, s0, s_slope


def interval(y: Vector, v: Vector, level: Number) -> tuple[Number, Number, Number]:
    """Return mean, lower and upper limit."""
    k = len(y)
    w = weights(v, mpf(0))
    s1 = total(w)
    w2 = total(wi * wi for wi in w) / s1
    tau2 = dersimonian_laird(y, v)
    spread = 1 + tau2 * w2
    tail = (1 - level) / 2
    e0, e1, s0, s_slope = conditional_moments(v, tau2)
    end = 13 * mp.sqrt(spread)  # R beyond this has probability 1e-38

    def beyond(u: Number, pieces: tuple[int, ...] = (16, 6, 2)) -> Number:
        def integrand(r: Number) -> Number:
            threshold = (s1 / w2 - 1) * ((r / u) ** 2 - 1) + (k - 1)
            expected, variance = e0 + e1 * r * r, s0 + s_slope * r * r
            density = mp.exp(-r * r / (2 * spread)) / mp.sqrt(2 * mp.pi * spread)
            shape = expected * expected / variance
            return density * mp.gammainc(shape, 0, threshold * expected / variance, regularized=True)

        cuts = [u, *(u + (end - u) / piece for piece in pieces), end]
        return mp.quad(integrand, cuts, maxdegree=7)

    with mp.workdps(28):
        # P(U > u) falls from near one half to zero; with one giant study it falls slowly, so u can be large
        u = bracketed_root(lambda x: beyond(x) - tail, mpf("0.001"), end)
        if abs(beyond(u, (23, 11, 5, 3)) - tail) > mpf(10) ** (-18):
            raise ArithmeticError("the Henmi-Copas integral did not settle")
    mean = weighted_mean(y, w)
    half = u * mp.sqrt(spread / s1)
    return mean, mean - half, mean + half
