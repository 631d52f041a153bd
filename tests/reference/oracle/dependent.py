"""Effects that share a cluster: cluster-robust variance CR2 with Satterthwaite df, and the three-level model.

Sources: Tipton 2015 and Pustejovsky & Tipton 2018 (CR2, degrees of freedom); Pustejovsky & Tipton 2022
(working models); Konstantopoulos 2011 (three levels, REML).
"""

from __future__ import annotations

from collections.abc import Sequence

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, t_two_sided_p, total

INDEPENDENT = mpf(0)


def symmetric_power(matrix: mp.matrix, power: Number) -> mp.matrix:
    """Return a power of a symmetric matrix; eigenvalues that are zero stay zero (Moore-Penrose)."""
    values, vectors = mp.eigsy(matrix)
    top = max(abs(item) for item in values)
    scaled = [mpf(0) if item < top * mpf(10) ** (-30) else mp.power(item, power) for item in values]
    return vectors * mp.diag(scaled) * vectors.T


def block(matrix: mp.matrix, rows: Sequence[int], columns: Sequence[int]) -> mp.matrix:
    """Return a sub-matrix."""
    answer = mp.matrix(len(rows), len(columns))
    for i, row in enumerate(rows):
        for j, column in enumerate(columns):
            answer[i, j] = matrix[row, column]
    return answer


def cr2(y: Vector, x: list[Vector], phi: mp.matrix, cluster: Sequence[object]) -> list[dict[str, Number]]:
    """Return estimate, CR2 standard error, Satterthwaite df and p value of each coefficient.

    Weighted least squares with W = phi^-1, phi the working covariance (block-diagonal by cluster). The
    adjustment of cluster j is A = D' B^(+1/2) D with phi_j = D' D (Cholesky) and
    B = D (phi_j - X_j M X_j') D', M = (X' W X)^-1; df = 2 E[V]^2 / Var[V] under the working model.
    """
    n, p = len(y), len(x[0])
    design, outcome = mp.matrix(x), mp.matrix(y)
    w = phi**-1
    m = (design.T * w * design) ** -1
    beta = m * design.T * w * outcome
    residual = outcome - design * beta
    hat_rest = mp.eye(n) - design * m * design.T * w
    groups = [[i for i in range(n) if cluster[i] == name] for name in dict.fromkeys(cluster)]
    scores = []  # p x n_j matrices: M X_j' W_j A_j
    for rows in groups:
        columns = list(range(p))
        x_j = block(design, rows, columns)
        phi_j = block(phi, rows, rows)
        d = mp.cholesky(phi_j).T
        b = d * (phi_j - x_j * m * x_j.T) * d.T
        a = d.T * symmetric_power((b + b.T) / 2, mpf(-1) / 2) * d
        scores.append(m * x_j.T * block(w, rows, rows) * a)
    answers = []
    for term in range(p):
        variance = mpf(0)
        vectors = []
        for rows, score in zip(groups, scores, strict=True):
            value = total(score[term, i] * residual[row] for i, row in enumerate(rows))
            variance += value**2
            vector = mp.matrix(1, n)
            for i, row in enumerate(rows):
                for column in range(n):
                    vector[column] += score[term, i] * hat_rest[row, column]
            vectors.append(vector)
        products = [[(a * phi * b.T)[0] for b in vectors] for a in vectors]
        expected = total(products[i][i] for i in range(len(vectors)))
        df = expected**2 / total(item**2 for row in products for item in row)
        se = mp.sqrt(variance)
        answers.append(
            {
                "estimate": beta[term],
                "standard_error": se,
                "df": df,
                "p_value": t_two_sided_p(beta[term] / se, df),
            }
        )
    return answers


def three_level_covariance(
    v: Vector,
    cluster: Sequence[object],
    between: Number,
    within: Number,
    correlation: Number = INDEPENDENT,
) -> mp.matrix:
    """Return diag(v + within) plus, for every pair of one cluster, `between` and the sampling covariance.

    `correlation` is that of the sampling errors of two effects of one cluster (Pustejovsky & Tipton 2022).
    """
    n = len(v)
    phi = mp.matrix(n, n)
    for i in range(n):
        for j in range(n):
            if cluster[i] == cluster[j]:
                phi[i, j] = between
                if i != j:
                    phi[i, j] += correlation * mp.sqrt(v[i] * v[j])
        phi[i, i] += v[i] + within
    return phi


def three_level_pieces(
    y: Vector,
    v: Vector,
    cluster: Sequence[object],
    between: Number,
    within: Number,
    correlation: Number = INDEPENDENT,
) -> tuple[Number, Number, Number, tuple[Number, Number]]:
    """Return mean, standard error, restricted log-likelihood and its gradient."""
    n = len(y)
    phi = three_level_covariance(v, cluster, between, within, correlation)
    w = phi**-1
    ones = mp.matrix([mpf(1)] * n)
    outcome = mp.matrix(y)
    information = (ones.T * w * ones)[0]
    mean = (ones.T * w * outcome)[0] / information
    residual = outcome - ones * mean
    weighted = w * residual
    value = (
        -(
            (n - 1) * mp.log(2 * mp.pi)
            + mp.log(mp.det(phi))
            + mp.log(information)
            + (residual.T * weighted)[0]
        )
        / 2
    )
    rows = w * ones
    projector = w - rows * rows.T / information
    same = [[mpf(1) if cluster[i] == cluster[j] else mpf(0) for j in range(n)] for i in range(n)]
    slope_between = (
        total(same[i][j] * (weighted[i] * weighted[j] - projector[i, j]) for i in range(n) for j in range(n))
        / 2
    )
    slope_within = total(weighted[i] ** 2 - projector[i, i] for i in range(n)) / 2
    return mean, 1 / mp.sqrt(information), value, (slope_between, slope_within)


def three_level_reml(
    y: Vector, v: Vector, cluster: Sequence[object], correlation: Number = INDEPENDENT
) -> dict[str, Number]:
    """Return the restricted maximum over between- and within-cluster variance, both at least zero."""

    def best_within(between: Number) -> Number:
        def slope(within: Number) -> Number:
            return three_level_pieces(y, v, cluster, between, within, correlation)[3][1]

        if slope(mpf(0)) <= 0:
            return mpf(0)
        low, high = mpf(0), max(v)
        while slope(high) > 0:
            low, high = high, high * 2
        return bracketed_root(slope, low, high, digits=30)

    def profile_slope(between: Number) -> Number:
        return three_level_pieces(y, v, cluster, between, best_within(between), correlation)[3][0]

    if profile_slope(mpf(0)) <= 0:
        between = mpf(0)
    else:
        low, high = mpf(0), max(v)
        while profile_slope(high) > 0:
            low, high = high, high * 2
        between = bracketed_root(profile_slope, low, high, digits=26)
    within = best_within(between)
    mean, se, value, _ = three_level_pieces(y, v, cluster, between, within, correlation)
    return {
        "estimate": mean,
        "standard_error": se,
        "tau2_between": between,
        "tau2_within": within,
        "log_likelihood": value,
    }
