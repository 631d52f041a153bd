"""Mantel-Haenszel and Peto: stratified estimates with their own variances, no correction anywhere.

Sources: Mantel & Haenszel 1959; Robins, Breslow & Greenland 1986; Greenland & Robins 1985; Yusuf 1985.
"""

from __future__ import annotations

from collections.abc import Sequence

from mpmath import mp, mpf

from .precision import Number, exact, total
from .two_arms import peto_parts

Rows = Sequence[tuple[object, ...]]


def odds_ratio(rows: Rows) -> tuple[Number, Number] | None:
    """Return the log odds ratio and its Robins-Breslow-Greenland standard error."""
    r_all, s_all, pr, ps_qr, qs = [], [], [], [], []
    for row in rows:
        a, n1, c, n2 = exact(row)
        b, d, n = n1 - a, n2 - c, n1 + n2
        r, s, p, q = a * d / n, b * c / n, (a + d) / n, (b + c) / n
        r_all.append(r)
        s_all.append(s)
        pr.append(p * r)
        ps_qr.append(p * s + q * r)
        qs.append(q * s)
    r_sum, s_sum = total(r_all), total(s_all)
    if r_sum == 0 or s_sum == 0:
        return None
    variance = total(pr) / (2 * r_sum**2) + total(ps_qr) / (2 * r_sum * s_sum) + total(qs) / (2 * s_sum**2)
    return mp.log(r_sum / s_sum), mp.sqrt(variance)


def risk_ratio(rows: Rows) -> tuple[Number, Number] | None:
    """Return the log risk ratio and its Greenland-Robins standard error."""
    r_all, s_all, p_all = [], [], []
    for row in rows:
        a, n1, c, n2 = exact(row)
        n = n1 + n2
        r_all.append(a * n2 / n)
        s_all.append(c * n1 / n)
        p_all.append((n1 * n2 * (a + c) - a * c * n) / n**2)
    r_sum, s_sum = total(r_all), total(s_all)
    if r_sum == 0 or s_sum == 0:
        return None
    return mp.log(r_sum / s_sum), mp.sqrt(total(p_all) / (r_sum * s_sum))


def risk_difference(rows: Rows) -> tuple[Number, Number]:
    """Return the risk difference and its Greenland-Robins standard error."""
    top, weights, spread = [], [], []
    for row in rows:
        a, n1, c, n2 = exact(row)
        b, d, n = n1 - a, n2 - c, n1 + n2
        top.append((a * n2 - c * n1) / n)
        weights.append(n1 * n2 / n)
        spread.append((a * b * n2**3 + c * d * n1**3) / (n1 * n2 * n**2))
    weight = total(weights)
    return total(top) / weight, mp.sqrt(total(spread)) / weight


def rate_ratio(rows: Rows) -> tuple[Number, Number] | None:
    """Return the log rate ratio of (x1, T1, x2, T2) strata and its Greenland-Robins standard error."""
    r_all, s_all, p_all = [], [], []
    for row in rows:
        a, t1, c, t2 = exact(row)
        t = t1 + t2
        r_all.append(a * t2 / t)
        s_all.append(c * t1 / t)
        p_all.append((a + c) * t1 * t2 / t**2)
    r_sum, s_sum = total(r_all), total(s_all)
    if r_sum == 0 or s_sum == 0:
        return None
    return mp.log(r_sum / s_sum), mp.sqrt(total(p_all) / (r_sum * s_sum))


def peto(rows: Rows) -> tuple[Number, Number, Number] | None:
    """Return the log odds ratio, its standard error and the heterogeneity Q."""
    differences, variances = [], []
    for row in rows:
        a, n1, c, n2 = exact(row)
        expected, variance = peto_parts(a, n1, c, n2)
        if variance > 0:
            differences.append(a - expected)
            variances.append(variance)
    if not variances:
        return None
    v = total(variances)
    estimate = total(differences) / v
    q = total(x * x / w for x, w in zip(differences, variances, strict=True)) - total(differences) ** 2 / v
    return estimate, 1 / mp.sqrt(v), q


def mantel_haenszel_test(rows: Rows, *, continuity: bool) -> Number:
    """Return the chi-square of the Mantel-Haenszel test of no effect (Cochran 1954; Mantel & Haenszel 1959)."""
    difference, variance = mpf(0), mpf(0)
    for row in rows:
        a, n1, c, n2 = exact(row)
        expected, v = peto_parts(a, n1, c, n2)
        difference += a - expected
        variance += v
    size = abs(difference) - (mpf(1) / 2 if continuity else 0)
    return size**2 / variance
