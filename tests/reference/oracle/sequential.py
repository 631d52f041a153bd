"""Group sequential boundaries by recursive integration, and information sizes.

Sources, from memory: Armitage, McPherson & Rowe 1969 (recursion for the density of the partial sum that has not left
the boundaries); Lan & DeMets 1983 (spending functions); Jennison & Turnbull 2000, chapters 2 and 7. Time is the
share of the information; S_k = Z_k sqrt(t_k) has independent normal increments of variance t_k - t_{k-1}.
Two-sided boundaries are symmetric and spend the one-sided function of alpha / 2 on each side ("each_side"),
or the function of alpha in total ("in_total": 2 - 2 Phi(z_{1 - alpha / 2} / sqrt t) for both sides together).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, normal_cdf, normal_quantile


@cache
def legendre(n: int) -> tuple[tuple[Number, ...], tuple[Number, ...]]:
    """Return nodes and weights of the n-point Gauss rule on (-1, 1)."""
    nodes, weights = [], []
    for i in range(n):
        x = mp.cos(mp.pi * (i + mpf(3) / 4) / (n + mpf(1) / 2))
        for _ in range(100):
            before, now = mpf(1), x
            for j in range(2, n + 1):
                before, now = now, ((2 * j - 1) * x * now - (j - 1) * before) / j
            slope = n * (x * now - before) / (x * x - 1)
            move = now / slope
            x -= move
            if abs(move) < mpf(10) ** (-mp.dps + 8):
                break
        nodes.append(x)
        weights.append(2 / ((1 - x * x) * slope**2))
    return tuple(nodes), tuple(weights)


def spent(alpha: Number, t: Number, kind: str, sides: str) -> Number:
    """Return the error spent on both sides together by time t."""
    share = alpha / 2 if sides == "each_side" else alpha
    times = 2 if sides == "each_side" else 1
    if t >= 1:
        return alpha
    if kind == "obrien_fleming":
        return times * 2 * normal_cdf(-normal_quantile(1 - share / 2) / mp.sqrt(t))
    return times * share * mp.log(1 + (mp.e - 1) * t)


class Walk:
    """The density of S on the nodes between the boundaries after each look."""

    def __init__(self, drift: Number, points: int) -> None:
        self.drift, self.points = drift, points
        self.time = mpf(0)
        self.places: Vector = [mpf(0)]
        self.masses: Vector = [mpf(1)]

    def leaves(self, time: Number, limit: Number) -> tuple[Number, Number]:
        """Return the probabilities of first leaving above and below at this look, |Z| > limit."""
        gap = time - self.time
        root, edge, shift = mp.sqrt(gap), limit * mp.sqrt(time), self.drift * gap
        above = mp.fsum(
            m * normal_cdf((s + shift - edge) / root) for s, m in zip(self.places, self.masses, strict=True)
        )
        below = mp.fsum(
            m * normal_cdf((-edge - s - shift) / root) for s, m in zip(self.places, self.masses, strict=True)
        )
        return above, below

    def stay(self, time: Number, limit: Number) -> None:
        """Move on to the density of walks that stayed inside."""
        gap = time - self.time
        edge, shift = limit * mp.sqrt(time), self.drift * gap
        nodes, weights = legendre(self.points)
        places = [edge * x for x in nodes]
        constant = 1 / mp.sqrt(2 * mp.pi * gap)
        masses = [
            edge
            * w
            * constant
            * mp.fsum(
                m * mp.exp(-((x - s - shift) ** 2) / (2 * gap))
                for s, m in zip(self.places, self.masses, strict=True)
            )
            for x, w in zip(places, weights, strict=True)
        ]
        self.places, self.masses, self.time = places, masses, time


def boundaries(
    times: Sequence[Number], alpha: Number, kind: str, sides: str, points: int = 96
) -> tuple[Vector, Vector]:
    """Return |Z| limits at each look and the error spent by then."""
    walk, limits, errors, before = Walk(mpf(0), points), [], [], mpf(0)
    for t in times:
        now = spent(alpha, t, kind, sides)
        share = (now - before) / 2
        limit = bracketed_root(
            lambda c, t=t, share=share: share - walk.leaves(t, c)[0], mpf(1), mpf(40), digits=24
        )
        limits.append(limit)
        errors.append(now)
        walk.stay(t, limit)
        before = now
    return limits, errors


def crossing(times: Sequence[Number], limits: Sequence[Number], drift: Number, points: int = 96) -> Number:
    """Return the probability of leaving above at any look under a drift (the mean of Z at time one)."""
    walk, chance = Walk(drift, points), mpf(0)
    for t, limit in zip(times, limits, strict=True):
        chance += walk.leaves(t, limit)[0]
        walk.stay(t, limit)
    return chance


def inflation(times: Sequence[Number], limits: Sequence[Number], alpha: Number, power: Number) -> Number:
    """Return how many times the fixed information is needed for the power of leaving above."""
    fixed = normal_quantile(1 - alpha / 2) + normal_quantile(power)
    drift = bracketed_root(
        lambda d: crossing(times, limits, d, 64) - power, fixed * mpf("0.95"), fixed * mpf("1.4"), digits=22
    )
    return (drift / fixed) ** 2


# --- information sizes ---------------------------------------------------------------------------


def size_two_proportions(p1: Number, p2: Number, alpha: Number, power: Number, rule: str) -> Number:
    """Return the size of both arms together, equal arms, not rounded.

    "unpooled": 2 (z_a + z_b)^2 (p1 q1 + p2 q2) / d^2; "average": 4 (z_a + z_b)^2 p q / d^2 with p the mean;
    "both": 2 (z_a sqrt(2 p q) + z_b sqrt(p1 q1 + p2 q2))^2 / d^2 (Fleiss 1981).
    """
    za, zb = normal_quantile(1 - alpha / 2), normal_quantile(power)
    d2, mean, own = (p1 - p2) ** 2, (p1 + p2) / 2, p1 * (1 - p1) + p2 * (1 - p2)
    if rule == "unpooled":
        return 2 * (za + zb) ** 2 * own / d2
    if rule == "average":
        return 4 * (za + zb) ** 2 * mean * (1 - mean) / d2
    return 2 * (za * mp.sqrt(2 * mean * (1 - mean)) + zb * mp.sqrt(own)) ** 2 / d2


def size_two_means(difference: Number, sd: Number, alpha: Number, power: Number) -> Number:
    """Return the size of both arms together, equal arms, not rounded."""
    return 4 * ((normal_quantile(1 - alpha / 2) + normal_quantile(power)) * sd / difference) ** 2
