"""Step-function selection model by maximum likelihood.

Source: Vevea & Hedges 1995, from memory. y_i is normal(mu, v_i + tau2) and is seen with a probability in
proportion to w_j where its one-sided p value 1 - Phi(y_i / sqrt(v_i)) lies in the j-th interval of the steps, w_1 = 1:
log L = sum log w(i) + log phi_i - log A_i, A_i the mean of w under the normal. Starts by simplex in
double precision, then Newton's rule on derivatives by central differences of 60-digit values.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

from mpmath import mp, mpf

from .precision import Number, Vector, chi2_sf, normal_cdf, normal_quantile, normal_two_sided_p

Function = Callable[[Vector], Number]
STEP = mpf(10) ** (-13)


def interval_of(y: Number, v: Number, steps: Sequence[Number]) -> int:
    """Return which interval the one-sided p value lies in; a step belongs to the interval below it."""
    p = normal_cdf(-y / mp.sqrt(v))
    return sum(p > step for step in steps)


def log_likelihood(y: Vector, v: Vector, steps: Sequence[Number], parameters: Vector) -> Number:
    """Parameters are mu, tau2, then the weights after the first; negative ones are taken as they stand."""
    mu, tau2, weights = parameters[0], parameters[1], [mpf(1), *parameters[2:]]
    cuts = [normal_quantile(1 - step) for step in steps]
    value = mpf(0)
    for yi, vi in zip(y, v, strict=True):
        spread = vi + tau2
        root = mp.sqrt(spread)
        # P(p <= step j) = P(y >= sqrt(v) z_j)
        reached = [mpf(0), *(normal_cdf((mu - mp.sqrt(vi) * cut) / root) for cut in cuts), mpf(1)]
        seen = mp.fsum(
            w * (high - low) for w, low, high in zip(weights, reached[:-1], reached[1:], strict=True)
        )
        value += mp.log(weights[interval_of(yi, vi, steps)]) - mp.log(seen)
        value -= (mp.log(2 * mp.pi * spread) + (yi - mu) ** 2 / spread) / 2
    return value


def derivatives(f: Function, at: Vector) -> tuple[Vector, mp.matrix]:
    """Return gradient and Hessian by central differences, steps relative to each parameter."""
    n = len(at)
    h = [STEP * max(abs(item), mpf("1e-3")) for item in at]

    def moved(*moves: tuple[int, int]) -> Number:
        place = list(at)
        for i, count in moves:
            place[i] += count * h[i]
        return f(place)

    middle = f(at)
    gradient, hessian = [], mp.matrix(n, n)
    for i in range(n):
        values = {c: moved((i, c)) for c in (-2, -1, 1, 2)}
        gradient.append((8 * (values[1] - values[-1]) - values[2] + values[-2]) / (12 * h[i]))
        hessian[i, i] = (16 * (values[1] + values[-1]) - values[2] - values[-2] - 30 * middle) / (
            12 * h[i] ** 2
        )
    for i, j in itertools.combinations(range(n), 2):
        cross = (
            moved((i, 1), (j, 1)) - moved((i, 1), (j, -1)) - moved((i, -1), (j, 1)) + moved((i, -1), (j, -1))
        )
        hessian[i, j] = hessian[j, i] = cross / (4 * h[i] * h[j])
    return gradient, hessian


def newton(f: Function, start: Vector) -> tuple[Vector, mp.matrix]:
    """Return the maximum near `start` and the Hessian there."""
    place = list(start)
    for _ in range(60):
        gradient, hessian = derivatives(f, place)
        move = mp.lu_solve(hessian, -mp.matrix(gradient))
        place = [item + shift for item, shift in zip(place, move, strict=True)]
        if max(
            abs(shift) / max(abs(item), mpf("1e-3")) for item, shift in zip(place, move, strict=True)
        ) < mpf(10) ** (-26):
            _, hessian = derivatives(f, place)
            values = mp.eigsy(hessian, eigvals_only=True)
            if max(values) >= 0:
                raise ArithmeticError("not a maximum")
            return place, hessian
    raise ArithmeticError("Newton's rule did not settle")


def rough_starts(y: Vector, v: Vector, steps: Sequence[Number], free: int) -> list[tuple[float, list[float]]]:
    """Return local maxima in double precision from many simplex searches, best first; scales are logarithmic."""
    from scipy.optimize import minimize
    from scipy.special import ndtr, ndtri

    ys, vs = [float(item) for item in y], [float(item) for item in v]
    cuts = [float(ndtri(1 - float(step))) for step in steps]
    place = [interval_of(yi, vi, steps) for yi, vi in zip(y, v, strict=True)]

    def cost(raw: Sequence[float]) -> float:
        tau2 = math.exp(raw[1]) if abs(raw[1]) < 60 else 0.0
        weights = [1.0, *(math.exp(min(item, 60)) for item in raw[2:])]
        value = 0.0
        for yi, vi, j in zip(ys, vs, place, strict=True):
            root = math.sqrt(vi + tau2)
            reached = [0.0, *(float(ndtr((raw[0] - math.sqrt(vi) * cut) / root)) for cut in cuts), 1.0]
            seen = sum(w * (b - a) for w, a, b in zip(weights, reached[:-1], reached[1:], strict=True))
            if seen <= 0 or weights[j] <= 0:
                return 1e10
            value += math.log(seen) - math.log(weights[j]) + math.log(root) + (yi - raw[0]) ** 2 / root**2 / 2
        return value

    middle, typical = sum(ys) / len(ys), sorted(vs)[len(vs) // 2]
    found = []
    for mu, ratio, weight in itertools.product((middle, 0.0), (0.02, 1.0), (-1.5, 0.5)):
        start = [mu, math.log(ratio * typical), *([weight] * free)]
        best = minimize(
            cost, start, method="Nelder-Mead", options={"maxiter": 6000, "xatol": 1e-7, "fatol": 1e-11}
        )
        found.append((-float(best.fun), [float(item) for item in best.x]))
    return sorted(found, reverse=True)


def fit(y: Vector, v: Vector, steps: Sequence[Number]) -> dict[str, object]:
    """Return the maximum, standard errors from the observed information, and the likelihood-ratio test."""
    free = len(steps)
    filled = {interval_of(yi, vi, steps) for yi, vi in zip(y, v, strict=True)}
    if filled != set(range(free + 1)):
        raise ArithmeticError(f"empty interval: {filled}")

    def whole(place: Vector) -> Number:
        return log_likelihood(y, v, steps, place)

    def without_tau2(place: Vector) -> Number:
        return whole([place[0], mpf(0), *place[1:]])

    _, rough = rough_starts(y, v, steps, free)[0]
    start = [mpf(rough[0]), mp.exp(mpf(rough[1])), *(mp.exp(mpf(item)) for item in rough[2:])]
    typical = sorted(v)[len(v) // 2]
    boundary = start[1] < typical * mpf("1e-6")
    if boundary:
        place, hessian = newton(without_tau2, [start[0], *start[2:]])
        place = [place[0], mpf(0), *place[1:]]
        h = typical * STEP
        if (whole([place[0], h, *place[2:]]) - whole(place)) > 0:
            raise ArithmeticError("tau2 = 0 is no maximum")
    else:
        place, hessian = newton(whole, start)
    covariance = (-hessian) ** -1
    errors = [mp.sqrt(covariance[i, i]) for i in range(covariance.rows)]
    if boundary:
        errors.insert(1, None)

    # without selection: all weights one
    from .tau2 import log_likelihood as plain_likelihood
    from .tau2 import maximum_likelihood

    plain = maximum_likelihood(y, v)
    free_height, plain_height = whole(place), plain_likelihood(y, v, plain, restricted=False)
    check = log_likelihood(y, v, steps, [_mean(y, v, plain), plain, *([mpf(1)] * free)])
    statistic = 2 * (free_height - check)
    half = normal_quantile(mpf("0.975")) * errors[0]
    return {
        "mu": place[0],
        "mu_standard_error": errors[0],
        "mu_p_value": normal_two_sided_p(place[0] / errors[0]),
        "mu_interval": [place[0] - half, place[0] + half],
        "tau2": place[1],
        "tau2_standard_error": errors[1],
        "boundary": bool(boundary),
        "weights": place[2:],
        "weight_standard_errors": errors[2:],
        "log_likelihood": free_height,
        "log_likelihood_without_selection": check,
        "constant_between_the_two_likelihoods": plain_height - check,
        "likelihood_ratio": {"value": statistic, "df": free, "p_value": chi2_sf(statistic, mpf(free))},
    }


def _mean(y: Vector, v: Vector, tau2: Number) -> Number:
    w = [1 / (vi + tau2) for vi in v]
    return mp.fsum(wi * yi for wi, yi in zip(w, y, strict=True)) / mp.fsum(w)
