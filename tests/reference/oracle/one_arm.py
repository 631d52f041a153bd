"""One arm: proportions and rates on every scale, with the exact interval of a single study.

Sources: Freeman & Tukey 1950; Miller 1978 (inverse); Clopper & Pearson 1934; Wilson 1927; Garwood 1936;
Cochrane Handbook chapter 6.
"""

from __future__ import annotations

from mpmath import mp, mpf

from .precision import Number, bracketed_root, chi2_quantile, exact, normal_quantile, total

HALF = mpf(1) / 2


def proportion(
    scale: str, events: object, size: object, policy: str = "none"
) -> tuple[Number, Number] | None:
    """Return effect and variance of x events of n; `constant` adds 0.5 to events and to non-events.

    On the raw scale the proportion stays as observed and only a zero variance is corrected, as for differences.
    """
    x, n = exact((events, size))
    observed = x / n
    if policy == "constant" and (x == 0 or x == n) and scale in ("logit", "log", "raw"):
        x, n = x + HALF, n + 1
    if scale == "logit":
        return None if x in (0, n) else (mp.log(x / (n - x)), 1 / x + 1 / (n - x))
    if scale == "log":
        return None if x in (0, n) else (mp.log(x / n), 1 / x - 1 / n)
    if scale == "raw":
        return None if x in (0, n) else (observed, x * (n - x) / n**3)
    if scale == "arcsine":
        return mp.asin(mp.sqrt(x / n)), 1 / (4 * n)
    if scale == "double_arcsine":
        return freeman_tukey(x, n) / 2, 1 / (4 * n + 2)
    raise ValueError(f"unknown scale {scale}")


def freeman_tukey(x: Number, n: Number) -> Number:
    """Return the sum of the two arcs; half of it estimates asin sqrt p with variance 1/(4n + 2)."""
    return mp.asin(mp.sqrt(x / (n + 1))) + mp.asin(mp.sqrt((x + 1) / (n + 1)))


def miller_inverse(arc_sum: Number, n: Number) -> Number:
    """Return the proportion whose double arcsine (sum form) with denominator n is `arc_sum` (Miller 1978)."""
    sine = mp.sin(arc_sum)
    root = mp.sqrt(1 - (sine + (sine - 1 / sine) / n) ** 2)
    return (1 - mp.sign(mp.cos(arc_sum)) * root) / 2


def harmonic_mean(sizes: list[Number]) -> Number:
    """Return the harmonic mean, the n that Miller uses for a pooled value."""
    return len(sizes) / total(1 / n for n in sizes)


def clopper_pearson(events: object, size: object, level: Number) -> tuple[Number, Number]:
    """Return the exact binomial interval from the two tail sums themselves."""
    x, n = int(str(events)), int(str(size))
    tail = (1 - level) / 2
    lower, upper = mpf(0), mpf(1)
    if x > 0:
        lower = bracketed_root(lambda p: 1 - binomial_cdf(x - 1, n, p) - tail, mpf(0), mpf(1))
    if x < n:
        upper = bracketed_root(lambda p: binomial_cdf(x, n, p) - tail, mpf(0), mpf(1))
    return lower, upper


def binomial_cdf(x: int, n: int, p: Number) -> Number:
    """Return P(X <= x), summed over the shorter side."""
    if p in (0, 1):
        return mpf(1) if p == 0 or x == n else mpf(0)
    odds = p / (1 - p)
    if x <= n - x:
        term, terms = (1 - p) ** n, []
        for j in range(x + 1):
            terms.append(term)
            term *= odds * (n - j) / (j + 1)
        return total(terms)
    term, terms = p**n, []
    for j in range(n, x, -1):
        terms.append(term)
        term *= j / odds / (n - j + 1)
    return 1 - total(terms)


def wilson(events: object, size: object, level: Number) -> tuple[Number, Number]:
    """Return the score interval."""
    x, n = exact((events, size))
    z2 = normal_quantile((1 + level) / 2) ** 2
    p = x / n
    centre = (p + z2 / (2 * n)) / (1 + z2 / n)
    half_width = mp.sqrt(z2 * (p * (1 - p) / n + z2 / (4 * n * n))) / (1 + z2 / n)
    return centre - half_width, centre + half_width


def rate(scale: str, events: object, time: object, policy: str = "none") -> tuple[Number, Number] | None:
    """Return effect and variance of x events over T; `constant` counts half an event where there is none."""
    x, t = exact((events, time))
    if scale == "log":
        if policy == "constant" and x == 0:
            x = HALF
        return None if x == 0 else (mp.log(x / t), 1 / x)
    if scale == "square_root":
        return mp.sqrt(x / t), 1 / (4 * t)
    raise ValueError(f"unknown scale {scale}")


def rate_ratio(
    x1: object, t1: object, x2: object, t2: object, policy: str = "none"
) -> tuple[Number, Number] | None:
    """Return the log rate ratio and its variance; `constant` adds 0.5 to both counts where one is zero."""
    a, ta, c, tc = exact((x1, t1, x2, t2))
    if a == c == 0:
        return None
    if policy == "constant" and min(a, c) == 0:
        a, c = a + HALF, c + HALF
    return None if min(a, c) == 0 else (mp.log(a / ta) - mp.log(c / tc), 1 / a + 1 / c)


def garwood(events: object, time: object, level: Number) -> tuple[Number, Number]:
    """Return the exact Poisson interval of a rate."""
    x, t = exact((events, time))
    tail = (1 - level) / 2
    df_low, df_high = int(2 * x), int(2 * x + 2)
    lower = mpf(0) if x == 0 else chi2_quantile(tail, df_low) / 2
    return lower / t, chi2_quantile(1 - tail, df_high) / 2 / t
