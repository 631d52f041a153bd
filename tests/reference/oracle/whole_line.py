"""Rules of quadrature that several oracles share: even densities sampled on half a line, and Gaussian rules.

A density that continues evenly and analytically to negative arguments is a sum of sinc functions at its samples
(Stenger 1993, from memory), so that masses t h, t = 0, 1, ..., with half of the mass of zero counted, hold all of it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from mpmath import mp, mpf

from .precision import Number, Vector, total


def even_mean(masses: Sequence[Number], step: Number) -> Number:
    """Return the mean on the half line, as E|x| = (2 / pi) int_0^inf (1 - Re cf(omega)) / omega^2 d omega.

    A sinc function at +-t h has the transform cos(omega t h) up to pi / h and none beyond, which makes the integral
    h ((cos a - 1) / pi + t Si(a)) + h / pi with a = pi t.
    """

    def weight(t: int) -> Number:
        a = mp.pi * t
        return 2 / mp.pi * step * (mp.cos(a) / mp.pi + t * mp.si(a))

    return total(mass * weight(t) for t, mass in enumerate(masses))


def even_cdf(masses: Sequence[Number], step: Number, q: Number) -> Number:
    """Return the probability below q on the half line: the mass of the sinc functions between -q and q."""
    pieces = [
        mass * (mp.si(mp.pi * (q / step - t)) + mp.si(mp.pi * (q / step + t)))
        for t, mass in enumerate(masses)
    ]
    return total(pieces) / mp.pi


def gauss_jacobi(n: int, a: Number, b: Number) -> tuple[Vector, Vector]:
    """Return nodes and weights on (0, 1) for the weight x^(a-1) (1-x)^(b-1), polished by Newton's rule."""
    from scipy.special import roots_jacobi

    alpha, beta = b - 1, a - 1  # on (-1, 1): (1 - z)^alpha (1 + z)^beta
    with np.errstate(divide="ignore", invalid="ignore"):  # 0/0 in a first term that scipy replaces
        start, _ = roots_jacobi(n, float(alpha), float(beta))
    nodes, weights = [], []
    # from the derivative at a node: G(a+n) G(b+n) / (G(n+1) G(a+b+n-1)) / ((1 - z^2) P'(z)^2) times 2^(alpha+beta+1),
    # which the change to (0, 1) takes away again
    constant = mp.gamma(n + alpha + 1) * mp.gamma(n + beta + 1)
    constant /= mp.factorial(n) * mp.gamma(n + alpha + beta + 1)
    for z0 in start:
        z, slope = mpf(float(z0)), mpf(1)
        for _ in range(4):
            value, slope = jacobi(n, alpha, beta, z)
            z -= value / slope
        _, slope = jacobi(n, alpha, beta, z)
        nodes.append((1 + z) / 2)
        weights.append(constant / ((1 - z * z) * slope * slope))
    return nodes, weights


def jacobi(n: int, alpha: Number, beta: Number, z: Number) -> tuple[Number, Number]:
    """Return Jacobi's polynomial and its derivative by the recurrence of three terms."""
    p0, p1 = mpf(1), (alpha + 1) + (alpha + beta + 2) * (z - 1) / 2
    d0, d1 = mpf(0), (alpha + beta + 2) / 2
    if n == 0:
        return p0, d0
    s = alpha + beta
    for m in range(2, n + 1):
        c = 2 * m + s
        c1 = 2 * m * (m + s) * (c - 2)
        c2, c3, c4 = (
            (c - 1) * (alpha**2 - beta**2),
            (c - 1) * c * (c - 2),
            2 * (m + alpha - 1) * (m + beta - 1) * c,
        )
        p2 = ((c2 + c3 * z) * p1 - c4 * p0) / c1
        d2 = (c3 * p1 + (c2 + c3 * z) * d1 - c4 * d0) / c1
        p0, p1, d0, d1 = p1, p2, d1, d2
    return p1, d1


def gauss_legendre(n: int) -> tuple[Vector, Vector]:
    """Return nodes and weights on (-1, 1), polished from double precision by Newton's rule."""
    start, _ = np.polynomial.legendre.leggauss(n)
    nodes, weights = [], []
    for x0 in start:
        x = mpf(float(x0))
        slope = mpf(1)
        for _ in range(3):
            p0, p1 = mpf(1), x
            for m in range(2, n + 1):
                p0, p1 = p1, ((2 * m - 1) * x * p1 - (m - 1) * p0) / m
            slope = n * (x * p1 - p0) / (x * x - 1)
            x -= p1 / slope
        nodes.append(x)
        weights.append(2 / ((1 - x * x) * slope * slope))
    return nodes, weights
