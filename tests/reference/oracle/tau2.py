"""Estimators of the between-study variance.

Sources: DerSimonian & Laird 1986; Hedges & Olkin 1985; DerSimonian & Kacker 2007 (two-step, general moment
estimator); Paule & Mandel 1982; Morris 1983; Viechtbauer 2005 (likelihoods, Hunter-Schmidt);
Sidik & Jonkman 2005.
"""

from __future__ import annotations

from collections.abc import Callable

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, sign_changes, total


def weighted_mean(y: Vector, w: Vector) -> Number:
    """Return the weighted mean, computed about the first effect to lose no digit."""
    return y[0] + total(wi * (yi - y[0]) for yi, wi in zip(y, w, strict=True)) / total(w)


def weights(v: Vector, tau2: Number) -> Vector:
    """Return 1/(v + tau2)."""
    return [1 / (vi + tau2) for vi in v]


ZERO = mpf(0)


def q_statistic(y: Vector, v: Vector, tau2: Number = ZERO) -> Number:
    """Return the weighted sum of squares about the weighted mean, with weights 1/(v + tau2)."""
    w = weights(v, tau2)
    mean = weighted_mean(y, w)
    return total(wi * (yi - mean) ** 2 for yi, wi in zip(y, w, strict=True))


def moment(y: Vector, v: Vector, a: Vector) -> Number:
    """Return the untruncated moment estimate for fixed weights a (DerSimonian & Kacker 2007, equation 6)."""
    mean = weighted_mean(y, a)
    q = total(ai * (yi - mean) ** 2 for yi, ai in zip(y, a, strict=True))
    s1 = total(a)
    drop = (
        total(ai * vi for ai, vi in zip(a, v, strict=True))
        - total(ai * ai * vi for ai, vi in zip(a, v, strict=True)) / s1
    )
    return (q - drop) / (s1 - total(ai * ai for ai in a) / s1)


def truncated(value: Number) -> Number:
    """Return the value, or zero when negative."""
    return max(value, mpf(0))


def dersimonian_laird(y: Vector, v: Vector) -> Number:
    """Weights 1/v."""
    return truncated(moment(y, v, weights(v, mpf(0))))


def hedges_olkin(y: Vector, v: Vector) -> Number:
    """Equal weights: the variance of the effects less the mean sampling variance."""
    return truncated(moment(y, v, [mpf(1)] * len(y)))


def dersimonian_laird_two_step(y: Vector, v: Vector) -> Number:
    """Weights from the truncated DerSimonian-Laird estimate."""
    return truncated(moment(y, v, weights(v, dersimonian_laird(y, v))))


def hedges_olkin_two_step(y: Vector, v: Vector) -> Number:
    """Weights from the truncated Hedges-Olkin estimate."""
    return truncated(moment(y, v, weights(v, hedges_olkin(y, v))))


def paule_mandel(y: Vector, v: Vector) -> Number:
    """The tau2 at which Q equals k - 1; zero when Q at zero is not above it."""
    return solve_q(y, v, mpf(len(y) - 1))


def solve_q(y: Vector, v: Vector, target: Number) -> Number:
    """Return the tau2 at which Q(tau2), a decreasing function, equals `target`, or zero."""
    if q_statistic(y, v) <= target:
        return mpf(0)
    low, high = mpf(0), mpf(1) if max(v) == 0 else max(v)
    while q_statistic(y, v, high) > target:
        low, high = high, high * 4
    return bracketed_root(lambda t: q_statistic(y, v, t) - target, low, high)


def hunter_schmidt(y: Vector, v: Vector) -> Number:
    """(Q - k) / sum of weights (Viechtbauer 2005, equation 11)."""
    return truncated((q_statistic(y, v) - len(y)) / total(weights(v, mpf(0))))


def sidik_jonkman(y: Vector, v: Vector) -> Number:
    """Crude start sum (y - mean)^2 / k, then the variance of the effects weighted by 1/(v/start + 1)."""
    k = len(y)
    mean = total(y) / k
    start = total((yi - mean) ** 2 for yi in y) / k
    if start == 0:
        return mpf(0)
    w = [1 / (vi / start + 1) for vi in v]
    centre = weighted_mean(y, w)
    return total(wi * (yi - centre) ** 2 for yi, wi in zip(y, w, strict=True)) / (k - 1)


# --- likelihoods ---------------------------------------------------------------------------------


def log_likelihood(
    y: Vector, v: Vector, tau2: Number, *, restricted: bool, mu: Number | None = None
) -> Number:
    """Return the log-likelihood at tau2, profiled over the mean unless `mu` is given."""
    w = weights(v, tau2)
    mean = weighted_mean(y, w) if mu is None else mu
    k = len(y)
    value = (
        -(
            k * mp.log(2 * mp.pi)
            + total(mp.log(vi + tau2) for vi in v)
            + total(wi * (yi - mean) ** 2 for yi, wi in zip(y, w, strict=True))
        )
        / 2
    )
    if restricted:
        value += (mp.log(2 * mp.pi) - mp.log(total(w))) / 2
    return value


def score(y: Vector, v: Vector, tau2: Number, *, restricted: bool, mu: Number | None = None) -> Number:
    """Return the derivative of the log-likelihood with respect to tau2."""
    w = weights(v, tau2)
    mean = weighted_mean(y, w) if mu is None else mu
    w2 = total(wi * wi for wi in w)
    slope = total(wi * wi * (yi - mean) ** 2 for yi, wi in zip(y, w, strict=True)) - total(w)
    if restricted:
        slope += w2 / total(w)
    return slope / 2


def tau2_grid(y: Vector, v: Vector) -> Vector:
    """Return points from far below the smallest variance to far above the spread of the effects."""
    spread = max(y) - min(y)
    top = max(max(v), spread**2) * 4
    bottom = min(vi for vi in v) * mpf(10) ** (-6)
    steps = max(60, int(12 * mp.log10(top / bottom)))
    ratio = mp.power(top / bottom, mpf(1) / steps)
    return [mpf(0)] + [bottom * ratio**i for i in range(steps + 1)]


def stationary_points(y: Vector, v: Vector, *, restricted: bool, mu: Number | None = None) -> Vector:
    """Return zero and every root of the score found on the grid."""
    y_for_grid = [*y, mu] if mu is not None else y
    grid = tau2_grid(y_for_grid, v)
    return [mpf(0), *sign_changes(lambda t: score(y, v, t, restricted=restricted, mu=mu), grid)]


def local_maxima(y: Vector, v: Vector, *, restricted: bool) -> list[tuple[Number, Number]]:
    """Return (tau2, log-likelihood) of every local maximum on [0, infinity), the highest first."""
    points = []
    for point in stationary_points(y, v, restricted=restricted):
        if point == 0:
            rises = score(y, v, point, restricted=restricted) > 0
            is_maximum = not rises
        else:
            step = point * mpf(10) ** (-12)
            is_maximum = (
                score(y, v, point - step, restricted=restricted)
                > 0
                > score(y, v, point + step, restricted=restricted)
            )
        if is_maximum:
            points.append((point, log_likelihood(y, v, point, restricted=restricted)))
    return sorted(points, key=lambda item: -item[1])


def reml(y: Vector, v: Vector) -> Number:
    """The global maximum of the restricted likelihood."""
    return local_maxima(y, v, restricted=True)[0][0]


def maximum_likelihood(y: Vector, v: Vector) -> Number:
    """The global maximum of the likelihood."""
    return local_maxima(y, v, restricted=False)[0][0]


ESTIMATORS: dict[str, Callable[[Vector, Vector], Number]] = {
    "dersimonian_laird": dersimonian_laird,
    "dersimonian_laird_two_step": dersimonian_laird_two_step,
    "hedges_olkin": hedges_olkin,
    "hedges_olkin_two_step": hedges_olkin_two_step,
    "paule_mandel": paule_mandel,
    "empirical_bayes": paule_mandel,  # Morris 1983: the same equation, written as a fixed point
    "reml": reml,
    "maximum_likelihood": maximum_likelihood,
    "sidik_jonkman": sidik_jonkman,
    "hunter_schmidt": hunter_schmidt,
}
ITERATED = ("paule_mandel", "empirical_bayes", "reml", "maximum_likelihood")
