"""Small-study effects: Egger, Begg, Peters, Harbord, trim and fill.

Sources: Egger 1997; Begg & Mazumdar 1994; Peters 2006; Harbord 2006; Duval & Tweedie 2000.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from mpmath import mp, mpf

from .precision import Number, Vector, exact, normal_two_sided_p, t_two_sided_p, total
from .tau2 import dersimonian_laird, weighted_mean, weights
from .two_arms import peto_parts


def straight_line(y: Vector, x: Vector, w: Vector) -> tuple[tuple[Number, Number], tuple[Number, Number]]:
    """Return (intercept, slope) and their standard errors of weighted least squares with estimated scale."""
    x_mean, y_mean = weighted_mean(x, w), weighted_mean(y, w)
    sxx = total(wi * (xi - x_mean) ** 2 for xi, wi in zip(x, w, strict=True))
    slope = total(wi * (xi - x_mean) * (yi - y_mean) for yi, xi, wi in zip(y, x, w, strict=True)) / sxx
    intercept = y_mean - slope * x_mean
    residual = total(wi * (yi - intercept - slope * xi) ** 2 for yi, xi, wi in zip(y, x, w, strict=True))
    scale = residual / (len(y) - 2)
    return (intercept, slope), (mp.sqrt(scale * (1 / total(w) + x_mean**2 / sxx)), mp.sqrt(scale / sxx))


def _test(estimate: Number, se: Number, df: int) -> dict[str, object]:
    t = estimate / se
    return {
        "estimate": estimate,
        "standard_error": se,
        "statistic": t,
        "df": df,
        "p_value": t_two_sided_p(t, mpf(df)),
    }


def egger(y: Vector, v: Vector) -> dict[str, object]:
    """Regress the effect on its standard error with weights 1/v; the slope is Egger's intercept."""
    (_, slope), (_, error) = straight_line(y, [mp.sqrt(vi) for vi in v], weights(v, mpf(0)))
    return _test(slope, error, len(y) - 2)


def begg(y: Vector, v: Vector) -> dict[str, object]:
    """Rank correlation of standardised deviates and variances, normal and exact."""
    k = len(y)
    w = weights(v, mpf(0))
    mean, s1 = weighted_mean(y, w), total(w)
    deviates = [(yi - mean) / mp.sqrt(vi - 1 / s1) for yi, vi in zip(y, v, strict=True)]
    s, ties_d, ties_v = 0, 0, 0
    for i in range(k):
        for j in range(i):
            a, b = mp.sign(deviates[i] - deviates[j]), mp.sign(v[i] - v[j])
            s += int(a * b)
            ties_d += a == 0
            ties_v += b == 0
    pairs = k * (k - 1) // 2
    tau = mpf(s) / mp.sqrt(mpf(pairs - ties_d) * (pairs - ties_v))
    variance = mpf(k) * (k - 1) * (2 * k + 5) / 18
    answer: dict[str, object] = {"s": s, "kendall_tau": tau, "ties": [int(ties_d), int(ties_v)]}
    if ties_d == ties_v == 0:
        z = s / mp.sqrt(variance)
        answer["z"], answer["p_value_normal"] = z, normal_two_sided_p(z)
        corrected = mp.sign(mpf(s)) * (abs(s) - 1) / mp.sqrt(variance)
        answer["z_continuity"], answer["p_value_continuity"] = corrected, normal_two_sided_p(corrected)
        answer["p_value_exact"] = kendall_exact_p(k, s)
    return answer


def kendall_exact_p(k: int, s: int) -> Number:
    """Return P(|S| >= |s|) over all orders, counted exactly by the number of inversions."""
    counts = [1]
    for n in range(2, k + 1):
        longer = [0] * (len(counts) + n - 1)
        for place, count in enumerate(counts):
            for move in range(n):
                longer[place + move] += count
        counts = longer
    pairs = k * (k - 1) // 2
    extreme = sum(count for inversions, count in enumerate(counts) if abs(pairs - 2 * inversions) >= abs(s))
    share = Fraction(extreme, sum(counts))
    return mpf(share.numerator) / share.denominator


def peters(rows: list[tuple[object, ...]], y: Vector) -> dict[str, object]:
    """Regress the log odds ratio on 1/N with weights events x non-events / N."""
    x, w = [], []
    for row in rows:
        a, n1, c, n2 = exact(row)
        n, events = n1 + n2, a + c
        x.append(1 / n)
        w.append(events * (n - events) / n)
    (_, slope), (_, error) = straight_line(y, x, w)
    return _test(slope, error, len(y) - 2)


def harbord(rows: list[tuple[object, ...]]) -> dict[str, object]:
    """Regress score / information on 1/sqrt(information), weights the information: Z/sqrt V on sqrt V."""
    y, x = [], []
    for row in rows:
        a, n1, c, n2 = exact(row)
        expected, v = peto_parts(a, n1, c, n2)
        y.append((a - expected) / mp.sqrt(v))
        x.append(mp.sqrt(v))
    (intercept, _), (error, _) = straight_line(y, x, [mpf(1)] * len(y))
    return _test(intercept, error, len(y) - 2)


Pooling = Callable[[Vector, Vector], Number]


def trim_and_fill(
    y: Vector, v: Vector, estimator: str, *, random_effects: bool, side: str
) -> dict[str, object]:
    """Return the number missing on `side` ("left" or "right") and the mean of the filled set.

    Ranks are of |y - centre|; L0 = (4 S - n(n+1)) / (2n - 1), R0 = (longest run at the far end) - 1, both rounded to
    the nearest whole number, not below zero; iterated until the number settles.
    """
    sign = 1 if side == "left" else -1
    order = sorted(range(len(y)), key=lambda i: sign * y[i])
    ys, vs = [sign * y[i] for i in order], [v[i] for i in order]
    n = len(ys)

    def tau2_of(part_y: Vector, part_v: Vector) -> Number:
        return dersimonian_laird(part_y, part_v) if random_effects else mpf(0)

    def centre_of(part_y: Vector, part_v: Vector) -> Number:
        return weighted_mean(part_y, weights(part_v, tau2_of(part_y, part_v)))

    missing, centre = 0, centre_of(ys, vs)
    for _ in range(100):
        centre = centre_of(ys[: n - missing], vs[: n - missing])
        distances = [item - centre for item in ys]
        by_size = sorted(range(n), key=lambda i: abs(distances[i]))
        ranks = {i: place + 1 for place, i in enumerate(by_size)}
        if estimator == "l0":
            s = sum(ranks[i] for i in range(n) if distances[i] > 0)
            raw = mpf(4 * s - n * (n + 1)) / (2 * n - 1)
        else:
            run = 0
            for i in reversed(by_size):
                if distances[i] <= 0:
                    break
                run += 1
            raw = mpf(run - 1)
        updated = max(0, int(mp.nint(raw)))
        if updated == missing:
            break
        missing = updated
    filled_y = ys + [2 * centre - item for item in ys[n - missing :]] if missing else ys
    filled_v = vs + vs[n - missing :] if missing else vs
    tau2 = tau2_of(filled_y, filled_v)
    w = weights(filled_v, tau2)
    return {
        "side": side,
        "number_missing": missing,
        "estimate": sign * weighted_mean(filled_y, w),
        "standard_error": 1 / mp.sqrt(total(w)),
        "tau2": tau2,
    }
