"""Q, I2, H and the intervals for tau2.

Sources: Cochran 1954; Higgins & Thompson 2002 (I2, H and their test-based interval); Viechtbauer 2007
(Q-profile, profile likelihood); Jackson 2013 (generalised Q).
"""

from __future__ import annotations

from collections.abc import Callable

from mpmath import mp, mpf

from .precision import (
    Number,
    Vector,
    bracketed_root,
    chi2_quantile,
    normal_quantile,
    total,
)
from .tau2 import local_maxima, log_likelihood, solve_q, weighted_mean, weights

Pair = tuple[Number, Number]


def typical_variance(v: Vector) -> Number:
    """Return (k - 1) sum w / ((sum w)^2 - sum w^2), the sampling variance of a typical study."""
    w = weights(v, mpf(0))
    s1 = total(w)
    pairs = total(wi * (s1 - wi) for wi in w)  # (sum w)^2 - sum w^2 without cancellation
    return (len(v) - 1) * s1 / pairs


def i2_from_tau2(v: Vector, tau2: Number) -> Number:
    """Return tau2 / (tau2 + typical variance)."""
    return tau2 / (tau2 + typical_variance(v))


def i2_from_q(q: Number, k: int) -> Number:
    """Return (Q - df) / Q, or zero."""
    return max(mpf(0), (q - (k - 1)) / q) if q > 0 else mpf(0)


def h_interval(q: Number, k: int, level: Number, *, centre_at_one: bool) -> Pair | None:
    """Return the test-based interval of H (Higgins & Thompson 2002), limits not below one.

    The paper leaves open what centres the interval when Q < k - 1: H raised to one before (`centre_at_one`, wider,
    and what the collection of worked examples has), or the raw H, with only the limits raised.
    """
    if k < 3 and q <= k:
        return None
    if q > k:
        se = (mp.log(q) - mp.log(k - 1)) / (2 * (mp.sqrt(2 * q) - mp.sqrt(2 * k - 3)))
    else:
        se = mp.sqrt((1 - mpf(1) / (3 * (k - 2) ** 2)) / (2 * (k - 2)))
    if q == 0 and not centre_at_one:
        return mpf(1), mpf(1)
    if q == 0:
        q = mpf(k - 1)
    log_h = mp.log(q / (k - 1)) / 2
    if centre_at_one:
        log_h = max(log_h, mpf(0))
    z = normal_quantile((1 + level) / 2)
    return max(mpf(1), mp.exp(log_h - z * se)), max(mpf(1), mp.exp(log_h + z * se))


def i2_from_h(h: Number) -> Number:
    """Return (H^2 - 1) / H^2."""
    return (h**2 - 1) / h**2


def q_profile(y: Vector, v: Vector, level: Number) -> Pair:
    """Return the tau2 at which Q(tau2) equals the upper and the lower chi-square quantile, or zero."""
    df = len(y) - 1
    tail = (1 - level) / 2
    return solve_q(y, v, chi2_quantile(1 - tail, df)), solve_q(y, v, chi2_quantile(tail, df))


# --- generalised Q -------------------------------------------------------------------------------


def generalised_q(y: Vector, v: Vector, a: Vector, level: Number) -> Pair:
    """Return the limits from the exact distribution of sum a (y - mean_a)^2 with fixed weights a."""
    mean = weighted_mean(y, a)
    q = total(ai * (yi - mean) ** 2 for yi, ai in zip(y, a, strict=True))
    tail = (1 - level) / 2
    if q == 0:
        return mpf(0), mpf(0)

    def below(tau2: Number) -> Number:
        return quadratic_form_cdf(q, v, tau2, a)

    return _falling_root(below, 1 - tail, v), _falling_root(below, tail, v)


def _falling_root(f: Callable[[Number], Number], target: Number, v: Vector) -> Number:
    """Return where the decreasing f meets `target`, or zero when it starts below it."""
    if f(mpf(0)) <= target:
        return mpf(0)
    low, high = mpf(0), max(v)
    while f(high) > target:
        low, high = high, high * 4
    return bracketed_root(lambda t: f(t) - target, low, high)


def quadratic_form_cdf(q: Number, v: Vector, tau2: Number, a: Vector, nodes: int = 80) -> Number:
    """Return P(sum a (y - mean_a)^2 <= q) for independent normal y with variances v + tau2.

    The Laplace transform of the density is the product of (1 + 2 s d)^(-1/2), d = a (v + tau2), times
    (sum p / (1 + 2 s d))^(-1/2), p = a / sum a (determinant lemma; the zeros of the second factor
    interlace its poles, so the principal root is the right branch). All singularities lie on the negative real
    axis, so Talbot's contour converges geometrically (Abate & Valko 2004: about 0.6 digits a node).
    """
    d = [ai * (vi + tau2) for ai, vi in zip(a, v, strict=True)]
    s1 = total(a)
    p = [ai / s1 for ai in a]
    with mp.extradps(nodes // 2):
        r = mpf(2 * nodes) / (5 * q)

        def transform(s: Number) -> Number:
            value = 1 / s
            secular = mpf(0)
            for pi, di in zip(p, d, strict=True):
                factor = 1 + 2 * s * di
                value /= mp.sqrt(factor)
                secular += pi / factor
            return value / mp.sqrt(secular)

        terms = [mp.exp(r * q) * mp.re(transform(mp.mpc(r))) / 2]
        for j in range(1, nodes):
            angle = j * mp.pi / nodes
            cot = mp.cot(angle)
            s = r * angle * mp.mpc(cot, 1)
            sigma = angle + (angle * cot - 1) * cot
            terms.append(mp.re(mp.exp(q * s) * transform(s) * mp.mpc(1, sigma)))
        return r / nodes * mp.fsum(terms)


# --- profile likelihood --------------------------------------------------------------------------


def profile_likelihood(y: Vector, v: Vector, level: Number, *, restricted: bool) -> Pair:
    """Return the outermost limits of {tau2 >= 0: 2 (maximum - log-likelihood) <= chi-square quantile}."""
    maxima = local_maxima(y, v, restricted=restricted)
    goal = maxima[0][1] - chi2_quantile(level, 1) / 2

    def height(tau2: Number) -> Number:
        return log_likelihood(y, v, tau2, restricted=restricted) - goal

    inside = [point for point, value in maxima if value > goal]
    lowest, highest = min(inside), max(inside)
    lower = mpf(0) if height(mpf(0)) >= 0 else bracketed_root(height, mpf(0), lowest)
    low, high = highest, max(highest * 2, max(v))
    while height(high) > 0:
        low, high = high, high * 2
    return lower, bracketed_root(height, low, high)
