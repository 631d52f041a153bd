"""One-stage models with a normal random effect, by brute-force quadrature on the whole line.

Sources: Stijnen, Hamza & Ozdemir 2010 (binomial-normal, Poisson-normal, conditional hypergeometric-normal).
Each study contributes the integral over z of phi(z) exp(l(mu + tau z)); first and second derivatives come from
integrals of the same kind, so Newton's rule runs on exact derivatives.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, chi2_quantile, chi2_sf, exact, line_integral, total

Kernel = Callable[[Number], tuple[Number, Number, Number]]
"""From eta to log-likelihood, its first derivative, and minus its second derivative."""


def binomial_kernel(events: object, size: object) -> Kernel:
    """x of n events, eta the logit of the probability; the binomial coefficient is kept."""
    x, n = exact((events, size))
    constant = mp.log(mp.binomial(n, x))

    def kernel(eta: Number) -> tuple[Number, Number, Number]:
        p, q = 1 / (1 + mp.exp(-eta)), 1 / (1 + mp.exp(eta))
        return constant + x * eta + n * mp.log(q), x - n * p, n * p * q

    return kernel


def poisson_kernel(events: object, time: object) -> Kernel:
    """x events over T, eta the log of the rate; the factorial and the power of T are kept."""
    x, t = exact((events, time))
    constant = x * mp.log(t) - mp.log(mp.factorial(x))

    def kernel(eta: Number) -> tuple[Number, Number, Number]:
        expected = t * mp.exp(eta)
        return constant + x * eta - expected, x - expected, expected

    return kernel


def shared_events_kernel(row: tuple[object, ...]) -> Kernel:
    """x1 of x1 + x2 events fall in arm 1, eta the log rate ratio: binomial with odds exp(eta) T1 / T2."""
    x1, t1, x2, t2 = exact(row)
    inner = binomial_kernel(x1, x1 + x2)
    offset = mp.log(t1 / t2)
    return lambda eta: inner(eta + offset)


def hypergeometric_kernel(row: tuple[object, ...]) -> Kernel:
    """a of n1 and c of n2 given a + c, eta the log odds ratio (Fisher's non-central distribution)."""
    a, n1, c, n2 = (int(item) for item in row)
    events = a + c
    support = range(max(0, events - n2), min(n1, events) + 1)
    ways = [mp.binomial(n1, j) * mp.binomial(n2, events - j) for j in support]
    first = support[0]
    constant = mp.log(mp.binomial(n1, a) * mp.binomial(n2, c))

    def kernel(eta: Number) -> tuple[Number, Number, Number]:
        base = mp.exp(eta)
        power, s0, s1, s2 = mpf(1), mpf(0), mpf(0), mpf(0)
        for j, way in enumerate(ways):
            term = way * power
            s0 += term
            s1 += j * term
            s2 += j * j * term
            power *= base
        mean = s1 / s0
        return constant + (a - first) * eta - mp.log(s0), a - first - mean, s2 / s0 - mean**2

    return kernel


@dataclass(frozen=True)
class Derivatives:
    """Log-likelihood with gradient and Hessian in (mu, tau)."""

    value: Number
    gradient: tuple[Number, Number]
    hessian: tuple[Number, Number, Number]  # mu mu, mu tau, tau tau


def study_derivatives(kernel: Kernel, mu: Number, tau: Number) -> Derivatives:
    """Return one study's share."""
    mode = mpf(0)
    for _ in range(200):
        _, s, c = kernel(mu + tau * mode)
        move = (-mode + tau * s) / (1 + tau**2 * c)
        move = max(min(move, mpf(2)), mpf(-2))
        mode += move
        if abs(move) < mpf(10) ** (-8):
            break
    value_at_mode, _, c = kernel(mu + tau * mode)
    height = value_at_mode - mode**2 / 2

    def integrand(z: Number) -> Sequence[Number]:
        value, s, curvature = kernel(mu + tau * z)
        density = mp.exp(value - z * z / 2 - height)
        second = s * s - curvature
        return (
            density,
            density * s,
            density * s * z,
            density * second,
            density * second * z,
            density * second * z * z,
        )

    sums = line_integral(integrand, mode, 1 / mp.sqrt(1 + tau**2 * c))
    e_s, e_sz, e_2, e_2z, e_2zz = (item / sums[0] for item in sums[1:])
    return Derivatives(
        mp.log(sums[0]) + height - mp.log(2 * mp.pi) / 2,
        (e_s, e_sz),
        (e_2 - e_s**2, e_2z - e_s * e_sz, e_2zz - e_sz**2),
    )


def derivatives(kernels: Sequence[Kernel], mu: Number, tau: Number) -> Derivatives:
    """Return the sum over studies."""
    parts = [study_derivatives(kernel, mu, tau) for kernel in kernels]
    return Derivatives(
        total(part.value for part in parts),
        (total(part.gradient[0] for part in parts), total(part.gradient[1] for part in parts)),
        (
            total(part.hessian[0] for part in parts),
            total(part.hessian[1] for part in parts),
            total(part.hessian[2] for part in parts),
        ),
    )


def common_fit(kernels: Sequence[Kernel], start: Number) -> tuple[Number, Number, Number, Number]:
    """Return mu, standard error, log-likelihood and slope in tau2 of the model with tau = 0."""
    mu = start
    for _ in range(200):
        rows = [kernel(mu) for kernel in kernels]
        move = total(row[1] for row in rows) / total(row[2] for row in rows)
        move = max(min(move, mpf(1)), mpf(-1))
        mu += move
        if abs(move) < mpf(10) ** (-mp.dps + 8):
            break
    rows = [kernel(mu) for kernel in kernels]
    slope = total(row[1] ** 2 - row[2] for row in rows) / 2
    return mu, 1 / mp.sqrt(total(row[2] for row in rows)), total(row[0] for row in rows), slope


def fit(kernels: Sequence[Kernel], mu: Number, tau: Number) -> dict[str, object]:
    """Return the maximum-likelihood fit, its Wald error and the likelihood-ratio test of tau2 = 0."""
    mu0, se0, value0, slope0 = common_fit(kernels, mu)
    common = {"estimate": mu0, "standard_error": se0, "log_likelihood": value0}
    if slope0 <= 0:
        return {"boundary": True, "tau": mpf(0), "tau2": mpf(0), "common_effect": common, **common}
    here = derivatives(kernels, mu, tau)
    for _ in range(100):
        h11, h12, h22 = here.hessian
        determinant = h11 * h22 - h12**2
        g1, g2 = here.gradient
        if h11 < 0 and determinant > 0:
            step = (-(h22 * g1 - h12 * g2) / determinant, -(h11 * g2 - h12 * g1) / determinant)
        else:
            step = (g1 / abs(h11), g2 / (abs(h22) + 1))
        size = mpf(1)
        while True:
            candidate = (mu + size * step[0], tau + size * step[1])
            if candidate[1] > 0:
                there = derivatives(kernels, *candidate)
                if there.value >= here.value - mpf(10) ** (-28):
                    break
            size /= 2
        moved = max(abs(candidate[0] - mu), abs(candidate[1] - tau))
        mu, tau = candidate
        here = there
        if moved < mpf(10) ** (-27):
            break
    else:
        raise ArithmeticError("the one-stage fit did not settle")
    h11, h12, h22 = here.hessian
    se = mp.sqrt(-h22 / (h11 * h22 - h12**2))
    statistic = 2 * (here.value - value0)
    return {
        "boundary": False,
        "estimate": mu,
        "standard_error": se,
        "tau": tau,
        "tau2": tau**2,
        "log_likelihood": here.value,
        "common_effect": common,
        "likelihood_ratio": {"value": statistic, "p_value": chi2_sf(statistic, mpf(1)) / 2},
    }


def profile_interval(
    kernels: Sequence[Kernel], answer: dict[str, object], level: Number
) -> tuple[Number, Number]:
    """Return the profile-likelihood limits of mu, tau maximised out at each trial value."""
    peak, best_mu, se = answer["log_likelihood"], answer["estimate"], answer["standard_error"]
    assert isinstance(peak, mpf) and isinstance(best_mu, mpf) and isinstance(se, mpf)
    goal = peak - chi2_quantile(level, 1) / 2
    state = {"tau": answer["tau"]}

    def height(mu: Number) -> Number:
        rows = [kernel(mu) for kernel in kernels]
        if total(row[1] ** 2 - row[2] for row in rows) <= 0:
            return total(row[0] for row in rows) - goal
        tau = max(mpf(state["tau"]), mpf("0.01"))  # type: ignore[arg-type]
        for _ in range(100):
            here = derivatives(kernels, mu, tau)
            curvature = here.hessian[2]
            move = -here.gradient[1] / curvature if curvature < 0 else mp.sign(here.gradient[1]) * tau / 4
            move = max(min(move, tau), -tau / 2)
            tau += move
            if abs(move) < mpf(10) ** (-15) * tau:  # an error e in tau moves the height by e squared only
                break
        else:
            raise ArithmeticError("the profile did not settle")
        state["tau"] = tau
        return derivatives(kernels, mu, tau).value - goal

    limits = []
    for side in (-1, 1):
        low, high = best_mu, best_mu + side * 2 * se
        while height(high) > 0:
            low, high = high, high + side * se
        limits.append(bracketed_root(height, *sorted((low, high)), digits=24))
    return limits[0], limits[1]


def start_values(measures: Vector) -> tuple[Number, Number]:
    """Return the mean and the spread of crude study values, a place to begin."""
    mean = total(measures) / len(measures)
    spread = mp.sqrt(total((item - mean) ** 2 for item in measures) / len(measures))
    return mean, max(spread / 2, mpf("0.1"))
