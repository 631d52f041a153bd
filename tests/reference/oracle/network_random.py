"""One-stage random-effects network of counts: the likelihood by nested quadrature on the whole plane.

Source: the arm-based logistic model of Dias, Sutton, Ades & Welton 2013, and its maximum-likelihood form in Simmonds &
Higgins 2016, from memory. logit p_ij = intercept_i + d_j + u_ij; contrasts u_ij - u_i1 have variance tau2 and covariance
tau2 / 2. Because intercepts are parameters, it matters where u sits: "centred" makes the u of a study sum to zero (half
of it in each of two arms), "first_arm" leaves the study's first arm without.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from mpmath import mp, mpf

from .network_counts import Counts
from .precision import Number, Vector

WORK_DIGITS = 36
STEP = mpf(10) ** (-6)


def loadings(arms: int, coding: str) -> list[list[Number]]:
    """Return the matrix L with u = tau L z, z independent standard normal, as many as contrasts."""
    if coding == "centred":
        # Helmert's rows are orthonormal and orthogonal to ones: L L' = (I - 11'/J) / 2
        rows = [[mpf(0)] * (arms - 1) for _ in range(arms)]
        for c in range(1, arms):
            size = mp.sqrt(mpf(c) * (c + 1))
            for r in range(c):
                rows[r][c - 1] = 1 / size / mp.sqrt(2)
            rows[c][c - 1] = -mpf(c) / size / mp.sqrt(2)
        return rows
    covariance = mp.matrix(arms - 1, arms - 1)
    for i in range(arms - 1):
        for j in range(arms - 1):
            covariance[i, j] = mpf(1) if i == j else mpf(1) / 2
    lower = mp.cholesky(covariance)
    return [[mpf(0)] * (arms - 1), *([lower[i, c] for c in range(arms - 1)] for i in range(arms - 1))]


def study_log_likelihood(
    counts: Sequence[tuple[int, int]], linear: Vector, tau: Number, rows: list[list[Number]]
) -> Number:
    """Return log of the integral over z of phi(z) times the binomial probabilities."""
    dims = len(rows[0])
    data = [(mpf(a), mpf(n)) for a, n in counts]
    constant = mp.fsum(mp.log(mp.binomial(n, a)) for a, n in data) - dims * mp.log(2 * mp.pi) / 2

    def height(z: Vector) -> Number:
        value = -mp.fsum(item * item for item in z) / 2
        for (a, n), eta0, row in zip(data, linear, rows, strict=True):
            eta = eta0 + tau * mp.fsum(c * item for c, item in zip(row, z, strict=True))
            value += a * eta - n * mp.log1p(mp.exp(eta))
        return value

    mode = mp.matrix(dims, 1)
    for _ in range(60):
        gradient, curvature = -mode, mp.eye(dims)
        for (a, n), eta0, row in zip(data, linear, rows, strict=True):
            eta = eta0 + tau * mp.fsum(c * mode[i] for i, c in enumerate(row))
            p = 1 / (1 + mp.exp(-eta))
            for i in range(dims):
                gradient[i] += tau * row[i] * (a - n * p)
                for j in range(dims):
                    curvature[i, j] += tau**2 * row[i] * row[j] * n * p * (1 - p)
        move = mp.lu_solve(curvature, gradient)
        mode += move
        if max(abs(item) for item in move) < mpf(10) ** (-8):
            break
    spread = mp.cholesky(curvature**-1)
    top = height(list(mode))
    h = mpf(2) / 5
    reach = range(-30, 31)
    total = mpf(0)
    if dims == 1:
        for i in reach:
            total += mp.exp(height([mode[0] + spread[0, 0] * i * h]) - top)
    else:
        for i in reach:
            for j in reach:
                if i * i + j * j > 950:
                    continue
                z = [mode[0] + spread[0, 0] * i * h, mode[1] + (spread[1, 0] * i + spread[1, 1] * j) * h]
                total += mp.exp(height(z) - top)
    area = h**dims * mp.fprod(spread[i, i] for i in range(dims))
    return constant + top + mp.log(total * area)


def log_likelihood(studies: Sequence[Counts], names: Sequence[str], coding: str, at: Vector) -> Number:
    """Parameters are the intercepts, the effects of `names` against the reference, and tau."""
    k = len(studies)
    value = mpf(0)
    for i, study in enumerate(studies):
        linear = [at[i] + (at[k + names.index(t)] if t in names else 0) for t, _, _ in study.arms]
        rows = loadings(len(study.arms), coding)
        value += study_log_likelihood([(a, n) for _, a, n in study.arms], linear, at[-1], rows)
    return value


def fit(studies: Sequence[Counts], reference: str, coding: str) -> dict[str, object]:
    """Return the maximum over all parameters, standard errors from the observed information."""
    names = sorted({t for study in studies for t, _, _ in study.arms} - {reference})
    start = rough_maximum(studies, names, coding)
    with mp.workdps(WORK_DIGITS):
        place = [mpf(item) for item in start]
        n = len(place)

        def f(at: Vector) -> Number:
            return log_likelihood(studies, names, coding, at)

        def moved(*moves: tuple[int, int]) -> Number:
            at = list(place)
            for i, count in moves:
                at[i] += count * STEP
            return f(at)

        hessian = mp.matrix(n, n)
        for attempt in range(12):
            one = {(i, c): moved((i, c)) for i in range(n) for c in (-2, -1, 1, 2)}
            gradient = [
                (8 * (one[i, 1] - one[i, -1]) - one[i, 2] + one[i, -2]) / (12 * STEP) for i in range(n)
            ]
            if attempt in (0, 2):
                middle = f(place)
                for i in range(n):
                    hessian[i, i] = (16 * (one[i, 1] + one[i, -1]) - one[i, 2] - one[i, -2] - 30 * middle) / (
                        12 * STEP**2
                    )
                    for j in range(i):
                        both, none = moved((i, 1), (j, 1)), moved((i, -1), (j, -1))
                        cross = both + none + 2 * middle - one[i, 1] - one[i, -1] - one[j, 1] - one[j, -1]
                        hessian[i, j] = hessian[j, i] = cross / (2 * STEP**2)
            move = mp.lu_solve(hessian, -mp.matrix(gradient))
            place = [item + shift for item, shift in zip(place, move, strict=True)]
            if attempt > 2 and max(abs(item) for item in move) < mpf(10) ** (-19):
                break
        else:
            raise ArithmeticError("Newton's rule did not settle")
        covariance = (-hessian) ** -1
        k = len(studies)
        return {
            "coding": coding,
            "intercepts": place[:k],
            "comparisons": [
                {
                    "technique": name,
                    "against": reference,
                    "estimate": place[k + i],
                    "standard_error": mp.sqrt(covariance[k + i, k + i]),
                }
                for i, name in enumerate(names)
            ],
            "tau": place[-1],
            "tau2": place[-1] ** 2,
            "tau_standard_error": mp.sqrt(covariance[n - 1, n - 1]),
            "log_likelihood": f(place),
        }


def rough_maximum(studies: Sequence[Counts], names: Sequence[str], coding: str) -> list[float]:
    """Return the maximum in double precision, by simplex on a grid of quadrature points."""
    import numpy as np
    from scipy.optimize import minimize
    from scipy.special import logsumexp

    k = len(studies)
    points = np.arange(-8, 8.001, 0.1)
    grids = {1: points[None, :], 2: np.stack([g.ravel() for g in np.meshgrid(points, points)])}

    def cost(at: Sequence[float]) -> float:
        value = 0.0
        for i, study in enumerate(studies):
            rows = np.array([[float(c) for c in row] for row in loadings(len(study.arms), coding)])
            z = grids[rows.shape[1]]
            height = -(z**2).sum(axis=0) / 2
            for (t, a, n), row in zip(study.arms, rows, strict=True):
                eta = at[i] + (at[k + names.index(t)] if t in names else 0.0) + at[-1] * (row @ z)
                height = height + a * eta - n * np.logaddexp(0, eta)
            value -= float(logsumexp(height)) + math.log(0.1) * rows.shape[1]
        return value

    start = []
    for study in studies:
        events, size = sum(a for _, a, _ in study.arms) + 0.5, sum(n for _, _, n in study.arms) + 1
        start.append(math.log(events / (size - events)))
    start += [0.0] * len(names) + [0.5]
    best = None
    for tau in (0.3, 1.0):
        start[-1] = tau
        found = minimize(cost, start, method="BFGS", options={"gtol": 1e-7})
        if best is None or found.fun < best.fun:
            best = found
    best.x[-1] = abs(best.x[-1])
    return [float(item) for item in best.x]
