"""One-stage models of two arms that keep the study intercepts: fixed intercepts, and the beta-binomial.

Sources: Jackson 2018 (the random part of the log odds ratio sits in arm 1 alone, or half in each arm: models 2
and 4); Kuss 2015 (beta-binomial with one correlation for all arms).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from mpmath import mp, mpf

from .one_stage import binomial_kernel
from .precision import Number, Vector, chi2_sf, exact, line_integral, total

Rows = Sequence[tuple[object, ...]]


def study_pieces(
    row: tuple[object, ...], intercept: Number, theta: Number, tau: Number, *, halves: bool
) -> tuple[Number, Vector, mp.matrix]:
    """Return one study's log-likelihood with gradient and Hessian in (intercept, theta, tau).

    logit p1 = intercept + theta + tau z and logit p2 = intercept; with `halves` the two arms stand at
    intercept + (theta + tau z)/2 and intercept - (theta + tau z)/2.
    """
    first, second = binomial_kernel(row[0], row[1]), binomial_kernel(row[2], row[3])
    up, down = (mpf(1) / 2, -mpf(1) / 2) if halves else (mpf(1), mpf(0))

    def joint(z: Number) -> tuple[Number, Number, Number, Number, Number, Number]:
        shift = theta + tau * z
        v1, s1, c1 = first(intercept + up * shift)
        v2, s2, c2 = second(intercept + down * shift)
        value = v1 + v2 - z * z / 2
        return value, s1 + s2, up * s1 + down * s2, c1 + c2, up * c1 + down * c2, up**2 * c1 + down**2 * c2

    mode = mpf(0)
    for _ in range(200):
        _, _, s_theta, _, _, c_theta = joint(mode)
        move = max(min((tau * s_theta - mode) / (1 + tau**2 * c_theta), mpf(2)), mpf(-2))
        mode += move
        if abs(move) < mpf(10) ** -8:
            break
    height, _, _, _, _, c_mode = joint(mode)

    def integrand(z: Number) -> Sequence[Number]:
        value, s_a, s_t, c_aa, c_at, c_tt = joint(z)
        density = mp.exp(value - height)
        aa, at, tt = s_a * s_a - c_aa, s_a * s_t - c_at, s_t * s_t - c_tt
        return (
            density,
            *(density * item for item in (s_a, s_t, z * s_t, aa, at, z * at, tt, z * tt, z * z * tt)),
        )

    sums = line_integral(integrand, mode, 1 / mp.sqrt(1 + tau**2 * c_mode))
    g_a, g_t, g_u, aa, at, au, tt, tu, uu = (item / sums[0] for item in sums[1:])
    hessian = mp.matrix(
        [
            [aa - g_a * g_a, at - g_a * g_t, au - g_a * g_u],
            [at - g_a * g_t, tt - g_t * g_t, tu - g_t * g_u],
            [au - g_a * g_u, tu - g_t * g_u, uu - g_u * g_u],
        ]
    )
    return mp.log(sums[0]) + height - mp.log(2 * mp.pi) / 2, [g_a, g_t, g_u], hessian


def profile_pieces(
    rows: Rows, theta: Number, tau: Number, intercepts: Vector, *, halves: bool
) -> tuple[Number, tuple[Number, Number], mp.matrix]:
    """Return value, gradient and Hessian in (theta, tau) with every intercept at its best (updated in place)."""
    value, gradient, hessian = mpf(0), [mpf(0), mpf(0)], mp.matrix(2, 2)
    for i, row in enumerate(rows):
        for _ in range(100):
            study_value, g, h = study_pieces(row, intercepts[i], theta, tau, halves=halves)
            move = max(min(-g[0] / h[0, 0], mpf(2)), mpf(-2))
            if abs(move) < mpf(10) ** -26:
                break
            intercepts[i] += move
        else:
            raise ArithmeticError("an intercept did not settle")
        value += study_value
        for a in (0, 1):
            gradient[a] += g[a + 1]
            for b in (0, 1):
                hessian[a, b] += h[a + 1, b + 1] - h[0, a + 1] * h[0, b + 1] / h[0, 0]
    return value, (gradient[0], gradient[1]), hessian


def fixed_intercepts(rows: Rows, theta: Number, tau: Number, *, halves: bool) -> dict[str, object]:
    """Return the maximum-likelihood fit of informative studies, with the Wald error of theta."""
    intercepts = []
    for row in rows:
        a, n1, c, n2 = exact(row)
        crude = (a + c + 1) / (n1 + n2 + 2)
        intercepts.append(mp.log(crude / (1 - crude)))
    for _ in range(100):
        value, (g1, g2), h = profile_pieces(rows, theta, tau, intercepts, halves=halves)
        determinant = h[0, 0] * h[1, 1] - h[0, 1] ** 2
        if h[0, 0] < 0 and determinant > 0:
            d1 = -(h[1, 1] * g1 - h[0, 1] * g2) / determinant
            d2 = -(h[0, 0] * g2 - h[0, 1] * g1) / determinant
        else:
            d1, d2 = g1 / abs(h[0, 0]), mp.sign(g2) * tau / 4
        shrink = min(mpf(1), mpf(1) / 2 / max(abs(d1), abs(d2)), tau / 2 / abs(d2) if d2 < 0 else mpf(1))
        theta, tau = theta + shrink * d1, tau + shrink * d2
        if max(abs(d1), abs(d2)) < mpf(10) ** -25:
            return {
                "boundary": False,
                "estimate": theta,
                "standard_error": mp.sqrt(-h[1, 1] / determinant),
                "tau2": tau**2,
                "log_likelihood": value,
            }
    raise ArithmeticError("the fit with fixed intercepts did not settle")


# --- beta-binomial -------------------------------------------------------------------------------


def beta_binomial_log(x: Number, n: Number, p: Number, rho: Number) -> Number:
    """Return the log-probability of x of n, mean p and intracluster correlation rho."""
    total_ab = (1 - rho) / rho
    a, b = p * total_ab, (1 - p) * total_ab
    log_choose = mp.loggamma(n + 1) - mp.loggamma(x + 1) - mp.loggamma(n - x + 1)
    top = mp.loggamma(x + a) + mp.loggamma(n - x + b) - mp.loggamma(n + a + b)
    return log_choose + top - mp.loggamma(a) - mp.loggamma(b) + mp.loggamma(a + b)


def newton(f: Callable[[Vector], Number], x: Vector) -> tuple[Vector, Number, mp.matrix]:
    """Return the maximum of a smooth function, its value and Hessian, by differences in 60 digits."""
    n, step = len(x), mpf(10) ** -12

    def moved(shifts: dict[int, Number]) -> Number:
        return f([item + shifts.get(i, mpf(0)) for i, item in enumerate(x)])

    for _ in range(200):
        here = f(x)
        gradient, hessian = mp.matrix(n, 1), mp.matrix(n, n)
        for i in range(n):
            up, down = moved({i: step}), moved({i: -step})
            gradient[i] = (up - down) / (2 * step)
            hessian[i, i] = (up - 2 * here + down) / step**2
            for j in range(i):
                corners = [moved({i: s * step, j: t * step}) for s, t in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
                hessian[i, j] = hessian[j, i] = (corners[0] - corners[1] - corners[2] + corners[3]) / (
                    4 * step**2
                )
        move = -(hessian**-1) * gradient
        if (gradient.T * move)[0] < 0:
            move = gradient / max(abs(item) for item in gradient) / 10
        size = max(abs(item) for item in move)
        shrink = min(mpf(1), mpf(1) / 2 / size)
        x = [item + shrink * move[i] for i, item in enumerate(x)]
        if size < mpf(10) ** -20:
            return x, f(x), hessian
    raise ArithmeticError("the maximum did not settle")


def beta_binomial(rows: Rows) -> dict[str, object]:
    """Return the fit with means by arm and one correlation, on three contrasts of the arms."""
    data = [exact(row) for row in rows]

    def expit(x: Number) -> Number:
        return 1 / (1 + mp.exp(-x))

    def log_likelihood(x: Vector) -> Number:
        p1, p2, rho = (expit(item) for item in x)
        return total(
            beta_binomial_log(a, n1, p1, rho) + beta_binomial_log(c, n2, p2, rho) for a, n1, c, n2 in data
        )

    start = []
    for arm in (0, 2):
        crude = (total(row[arm] for row in data) + 1) / (total(row[arm + 1] for row in data) + 2)
        start.append(mp.log(crude / (1 - crude)))
    best, value, hessian = newton(log_likelihood, [*start, mpf(-2)])
    covariance = (-hessian) ** -1
    p1, p2, rho = (expit(item) for item in best)
    slopes = {
        "odds_ratio": (mpf(1), mpf(-1)),
        "risk_ratio": (1 - p1, -(1 - p2)),
        "risk_difference": (p1 * (1 - p1), -p2 * (1 - p2)),
    }
    values = {"odds_ratio": best[0] - best[1], "risk_ratio": mp.log(p1 / p2), "risk_difference": p1 - p2}
    pooled = [total(row[arm] for row in data) / total(row[arm + 1] for row in data) for arm in (0, 2)]
    without = total(
        mp.log(mp.binomial(n, x)) + x * mp.log(p) + (n - x) * mp.log(1 - p)
        for row in data
        for x, n, p in ((row[0], row[1], pooled[0]), (row[2], row[3], pooled[1]))
    )
    statistic = 2 * (value - without)
    contrasts = {}
    for name, (d1, d2) in slopes.items():
        variance = d1**2 * covariance[0, 0] + 2 * d1 * d2 * covariance[0, 1] + d2**2 * covariance[1, 1]
        contrasts[name] = {"estimate": values[name], "standard_error": mp.sqrt(variance)}
    return {
        "contrasts": contrasts,
        "risks": [p1, p2],
        "correlation": rho,
        "log_likelihood": value,
        "likelihood_ratio": {"value": statistic, "p_value": chi2_sf(statistic, mpf(1)) / 2},
    }
