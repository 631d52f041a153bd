"""Means in two arms, and conversions of what papers report into means and standard deviations.

Sources: Hedges 1981 (exact J); Friedrich 2008 (ratio of means); Cochrane Handbook 6.5.2 and table 6.5.a;
Wan 2014; Luo 2018.
"""

from __future__ import annotations

from mpmath import mp, mpf

from .precision import Number, exact, increasing_root, normal_quantile, t_quantile, t_two_sided_p, total


def hedges_j(df: Number) -> Number:
    """Return gamma(df/2) / (sqrt(df/2) gamma((df-1)/2)), the exact small-sample factor."""
    return mp.exp(mp.loggamma(df / 2) - mp.loggamma((df - 1) / 2)) / mp.sqrt(df / 2)


def effect(measure: str, row: tuple[object, ...]) -> tuple[Number, Number]:
    """Return effect and variance for (mean_1, sd_1, total_1, mean_2, sd_2, total_2)."""
    m1, s1, n1, m2, s2, n2 = exact(row)
    if measure == "mean_difference":
        return m1 - m2, s1**2 / n1 + s2**2 / n2
    if measure == "ratio_of_means":
        return mp.log(m1 / m2), s1**2 / (n1 * m1**2) + s2**2 / (n2 * m2**2)
    if measure == "standardized_mean_difference":
        df = n1 + n2 - 2
        pooled = mp.sqrt(((n1 - 1) * s1**2 + (n2 - 1) * s2**2) / df)
        g = hedges_j(df) * (m1 - m2) / pooled
        return g, (n1 + n2) / (n1 * n2) + g**2 / (2 * (n1 + n2))
    raise ValueError(f"unknown measure {measure}")


def hedges_g_book(row: tuple[object, ...]) -> tuple[Number, Number]:
    """Return g with J = 1 - 3/(4 df - 1) and J^2 times the variance of d (Borenstein 2009, chapter 4)."""
    m1, s1, n1, m2, s2, n2 = exact(row)
    df = n1 + n2 - 2
    pooled = mp.sqrt(((n1 - 1) * s1**2 + (n2 - 1) * s2**2) / df)
    d = (m1 - m2) / pooled
    j = 1 - mpf(3) / (4 * df - 1)
    return j * d, j**2 * ((n1 + n2) / (n1 * n2) + d**2 / (2 * (n1 + n2)))


def combine_groups(groups: list[tuple[object, ...]]) -> tuple[Number, Number, Number]:
    """Return size, mean and SD of several (n, mean, sd) groups thrown together."""
    rows = [exact(group) for group in groups]
    size = total(n for n, _, _ in rows)
    mean = total(n * m for n, m, _ in rows) / size
    squares = total((n - 1) * s**2 + n * (m - mean) ** 2 for n, m, s in rows)
    return size, mean, mp.sqrt(squares / (size - 1))


def sd_from_se(se: object, n: object) -> Number:
    """Return SE times root n."""
    return mpf(se) * mp.sqrt(mpf(n))


def sd_from_interval(lower: object, upper: object, n: object, level: Number, *, t: bool) -> Number:
    """Return the SD behind an interval of a mean, by the normal or the t quantile with n - 1 df."""
    quantile = t_quantile((1 + level) / 2, int(n) - 1) if t else normal_quantile((1 + level) / 2)
    return mp.sqrt(mpf(n)) * (mpf(upper) - mpf(lower)) / (2 * quantile)


def sd_from_p(difference: object, p: object, n1: object, n2: object) -> tuple[Number, Number, Number]:
    """Return t, the standard error of the difference and the common SD behind a two-sided p value."""
    df = int(n1) + int(n2) - 2
    t = increasing_root(lambda x: mpf(p) - t_two_sided_p(x, df), mpf(0), mpf(2))
    se = abs(mpf(difference)) / t
    return t, se, se / mp.sqrt(1 / mpf(n1) + 1 / mpf(n2))


def expected_range(n: int) -> Number:
    """Return xi(n), the expected range of n standard normal draws: integral of 1 - F^n - (1-F)^n."""

    def integrand(x: Number) -> Number:
        low, high = mp.erfc(x / mp.sqrt(2)) / 2, mp.erfc(-x / mp.sqrt(2)) / 2
        return -mp.expm1(n * mp.log1p(-low)) - low**n if low < mpf(1) / 2 else 1 - high**n - low**n

    return 2 * mp.quad(integrand, [0, 1, 2, 4, 8, 16])


def wan_sd(scenario: str, n: object, **given: object) -> Number:
    """Return the SD of Wan 2014 (closed approximations, equations 9, 13 and 16)."""
    n = mpf(n)
    xi = 2 * normal_quantile((n - mpf("0.375")) / (n + mpf("0.25")))
    eta = 2 * normal_quantile((mpf("0.75") * n - mpf("0.125")) / (n + mpf("0.25")))
    value: dict[str, Number] = {name: mpf(item) for name, item in given.items()}
    if scenario == "range":
        return (value["largest"] - value["smallest"]) / xi
    if scenario == "quartiles":
        return (value["q3"] - value["q1"]) / eta
    return (value["largest"] - value["smallest"]) / (2 * xi) + (value["q3"] - value["q1"]) / (2 * eta)


def luo_mean(scenario: str, n: object, **given: object) -> Number:
    """Return the mean of Luo 2018 (equations 7, 11 and 15)."""
    n = mpf(n)
    value: dict[str, Number] = {name: mpf(item) for name, item in given.items()}
    power = mp.power
    if scenario == "range":
        w = 4 / (4 + power(n, mpf("0.75")))
        return w * (value["smallest"] + value["largest"]) / 2 + (1 - w) * value["median"]
    if scenario == "quartiles":
        w = mpf("0.7") + mpf("0.39") / n
        return w * (value["q1"] + value["q3"]) / 2 + (1 - w) * value["median"]
    w1 = mpf("2.2") / (mpf("2.2") + power(n, mpf("0.75")))
    w2 = mpf("0.7") - mpf("0.72") / power(n, mpf("0.55"))
    middle = (value["smallest"] + value["largest"]) / 2
    return w1 * middle + w2 * (value["q1"] + value["q3"]) / 2 + (1 - w1 - w2) * value["median"]
