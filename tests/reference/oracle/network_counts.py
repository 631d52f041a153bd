"""Networks of counts: Mantel-Haenszel in two stages, and one-stage binomial models, by brute force.

Sources, from memory: Efthimiou 2019 (first stage a Mantel-Haenszel log odds ratio for each pair within each design, second
stage generalised least squares over designs; no correction); Robins, Breslow & Greenland 1986 and Greenland 1989
(variances and covariances that hold for few large and for many small strata alike); Mickey & Elashoff 1985
(log odds ratios of a design made consistent by averaging over its arms). In a study, pair (x, y) has
R_xy = a_x b_y / N, b = n - a, N over all arms; L_xy = log(sum R_xy / sum R_yx).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mpmath import mp, mpf

from .precision import Number, Vector, chi2_sf, normal_two_sided_p, total


@dataclass(frozen=True)
class Counts:
    """One study: technique, events and thumbs of each arm."""

    name: str
    arms: tuple[tuple[str, int, int], ...]


class Design:
    """The studies that compare the same techniques, pooled without a study-specific parameter."""

    def __init__(self, techniques: Sequence[str], studies: Sequence[Counts]) -> None:
        self.techniques = tuple(techniques)
        self.strata = [{t: (mpf(a), mpf(n)) for t, a, n in study.arms} for study in studies]

    def sum_of(self, *roles: str) -> Number:
        """Return sum over strata of a_x b_y / N for roles x, y."""
        x, y = roles
        return total(s[x][0] * (s[y][1] - s[y][0]) / total(n for _, n in s.values()) for s in self.strata)

    def log_odds_ratio(self, x: str, y: str) -> Number | None:
        """Return L_xy, x against y; None where one of the sums is zero."""
        up, down = self.sum_of(x, y), self.sum_of(y, x)
        return None if up == 0 or down == 0 else mp.log(up / down)

    def covariance_of_pairs(self, x: str, y: str, z: str, rule: str) -> Number:
        """Return Cov(L_xy, L_xz) with y and z different, or Var(L_xy) with z = y.

        Both arms' counts are binomial; with psi the common odds ratio, h_xy = R_xy - psi_xy R_yx has mean zero and
        L_xy - log psi_xy is about h_xy / E R_xy. E h_xy h_xz = sum n_x n_y n_z p_x q_y q_z / (q_x N^2), for which
        the counts give several unbiased expressions. `rule` chooses among the expressions:
        "three": the mean of a_x b_y b_z + psi psi b_x a_y a_z, n_x psi_xy a_y b_z and n_x psi_xz b_y a_z, which is what
        Greenland 1989 is recalled to do (this rule was added after the kernel's note named the three);
        "six": the mean over exchanging events and non-events of a_x b_y b_z + (B1 + B2 + D) / 3;
        "four": the same with a_x b_y b_z + (B1 + B2) / 2. For z = y only Robins, Breslow & Greenland's is used.
        """
        rxy, ryx = self.sum_of(x, y), self.sum_of(y, x)
        if z == y:
            terms = []
            for s in self.strata:
                n = total(size for _, size in s.values())
                (ax, nx), (ay, ny) = s[x], s[y]
                bx, by = nx - ax, ny - ay
                r, q = ax * by / n, ay * bx / n
                p_r, p_q = (ax + by) / n, (ay + bx) / n
                terms.append(
                    p_r * r / (2 * rxy**2) + (p_r * q + p_q * r) / (2 * rxy * ryx) + p_q * q / (2 * ryx**2)
                )
            return total(terms)
        rxz, rzx = self.sum_of(x, z), self.sum_of(z, x)
        terms = []
        for s in self.strata:
            n = total(size for _, size in s.values())
            (ax, nx), (ay, ny), (az, nz) = s[x], s[y], s[z]
            bx, by, bz = nx - ax, ny - ay, nz - az
            first, last = ax * by * bz / (rxy * rxz), bx * ay * az / (ryx * rzx)
            b1, b2 = ax * ay * bz / (ryx * rxz), ax * by * az / (rxy * rzx)
            e1, e2 = bx * ay * bz / (ryx * rxz), bx * by * az / (rxy * rzx)
            if rule == "three":
                one = two = (first + last + b1 + e1 + b2 + e2) / 3
            elif rule == "six":
                one, two = first + (b1 + b2 + last) / 3, last + (e1 + e2 + first) / 3
            else:
                one, two = first + (b1 + b2) / 2, last + (e1 + e2) / 2
            terms.append((one + two) / (2 * n**2))
        return total(terms)

    def contrasts(self, rule: str, averaged: bool) -> tuple[Vector, mp.matrix]:
        """Return the contrasts of all arms but the first against the first, with their covariance."""
        t = self.techniques
        j = len(t)
        pairs = [(x, y) for x in t for y in t if x != y]
        cov = {}
        for x, y in pairs:
            for u, w in pairs:
                shared = {x, y} & {u, w}
                if not shared:
                    cov[x, y, u, w] = mpf(0)
                elif {x, y} == {u, w}:
                    value = self.covariance_of_pairs(x, y, y, rule)
                    cov[x, y, u, w] = value if x == u else -value
                else:
                    hub = shared.pop()
                    a, b = (y if x == hub else x), (w if u == hub else u)
                    sign = (1 if x == hub else -1) * (1 if u == hub else -1)
                    cov[x, y, u, w] = sign * self.covariance_of_pairs(hub, a, b, rule)
        ell = {pair: self.log_odds_ratio(*pair) for pair in pairs}
        if any(value is None for value in ell.values()):
            raise ArithmeticError("a pair of the design has no Mantel-Haenszel odds ratio")
        forms = []  # each contrast as a weighted sum of pairs
        for other in t[1:]:
            if averaged:
                form: dict[tuple[str, str], Number] = {}
                for z in t:
                    if z != other:
                        form[other, z] = form.get((other, z), mpf(0)) + mpf(1) / j
                    if z != t[0]:
                        form[t[0], z] = form.get((t[0], z), mpf(0)) - mpf(1) / j
            else:
                form = {(other, t[0]): mpf(1)}
            forms.append(form)
        values = [total(c * ell[pair] for pair, c in form.items()) for form in forms]
        matrix = mp.matrix(j - 1, j - 1)
        for i, left in enumerate(forms):
            for k, right in enumerate(forms):
                matrix[i, k] = total(
                    c * d * cov[p[0], p[1], r[0], r[1]] for p, c in left.items() for r, d in right.items()
                )
        return values, matrix


def informative(studies: Sequence[Counts]) -> list[Counts]:
    """Return studies that are neither all events nor without any."""
    return [
        study for study in studies if 0 < sum(a for _, a, _ in study.arms) < sum(n for _, _, n in study.arms)
    ]


def mantel_haenszel(
    studies: Sequence[Counts], reference: str, rule: str, averaged: bool
) -> dict[str, object]:
    """Return every comparison with the reference, Q over designs, and its df."""
    used = informative(studies)
    groups: dict[tuple[str, ...], list[Counts]] = {}
    for study in used:
        groups.setdefault(tuple(sorted(t for t, _, _ in study.arms)), []).append(study)
    names = sorted({t for design in groups for t in design} - {reference})
    rows, y, blocks = [], [], []
    for techniques, members in sorted(groups.items()):
        values, matrix = Design(techniques, members).contrasts(rule, averaged)
        blocks.append(matrix)
        for other, value in zip(techniques[1:], values, strict=True):
            y.append(value)
            rows.append([(name == other) - (name == techniques[0]) for name in names])
    x, n = mp.matrix(rows), len(y)
    w = mp.matrix(n, n)
    place = 0
    for matrix in blocks:
        inverse = matrix**-1
        for i in range(matrix.rows):
            for k in range(matrix.rows):
                w[place + i, place + k] = inverse[i, k]
        place += matrix.rows
    covariance = (x.T * w * x) ** -1
    beta = covariance * (x.T * w * mp.matrix(y))
    rest = mp.matrix(y) - x * beta
    q, df = (rest.T * w * rest)[0], n - len(names)
    return {
        "against": reference,
        "comparisons": _against(names, beta, covariance),
        "covariance": [[covariance[i, k] for k in range(len(names))] for i in range(len(names))],
        "q": {"value": q, "df": df, "p_value": chi2_sf(q, mpf(df)) if df else None},
        "designs": [
            {"techniques": techniques, "studies": [study.name for study in members]}
            for techniques, members in sorted(groups.items())
        ],
    }


def _against(names: Sequence[str], beta: mp.matrix, covariance: mp.matrix) -> list[dict[str, object]]:
    answer: list[dict[str, object]] = []
    for i, name in enumerate(names):
        se = mp.sqrt(covariance[i, i])
        answer.append(
            {
                "technique": name,
                "estimate": beta[i],
                "standard_error": se,
                "p_value": normal_two_sided_p(beta[i] / se),
            }
        )
    return answer


def logistic_common(studies: Sequence[Counts], reference: str) -> dict[str, object]:
    """Fit logit p = study intercept + technique by Newton's rule on the full likelihood."""
    used = informative(studies)
    names = sorted({t for study in used for t, _, _ in study.arms} - {reference})
    k, m = len(used), len(names)
    cells = [
        (i, names.index(t) if t != reference else None, mpf(a), mpf(n))
        for i, study in enumerate(used)
        for t, a, n in study.arms
    ]
    place = mp.matrix(k + m, 1)
    for i, study in enumerate(used):
        events, size = sum(a for _, a, _ in study.arms), sum(n for _, _, n in study.arms)
        place[i] = mp.log(mpf(events) / (size - events))
    for _ in range(100):
        gradient, information, height = mp.matrix(k + m, 1), mp.matrix(k + m, k + m), mpf(0)
        for i, j, a, n in cells:
            eta = place[i] + (place[k + j] if j is not None else 0)
            p = 1 / (1 + mp.exp(-eta))
            height += mp.log(mp.binomial(n, a)) + a * mp.log(p) + (n - a) * mp.log(1 - p)
            spots = [i] if j is None else [i, k + j]
            for s in spots:
                gradient[s] += a - n * p
                for t in spots:
                    information[s, t] += n * p * (1 - p)
        move = mp.lu_solve(information, gradient)
        place += move
        if max(abs(item) for item in move) < mpf(10) ** (-45):
            break
    else:
        raise ArithmeticError("Newton's rule did not settle")
    covariance = information**-1
    part = covariance[k:, k:]
    deviance = mpf(0)
    for i, j, a, n in cells:
        p = 1 / (1 + mp.exp(-(place[i] + (place[k + j] if j is not None else 0))))
        for count, share in ((a, p), (n - a, 1 - p)):
            if count:
                deviance += 2 * count * mp.log(count / (n * share))
    return {
        "against": reference,
        "comparisons": _against(names, place[k:], part),
        "covariance": [[part[i, j] for j in range(m)] for i in range(m)],
        "log_likelihood": height,
        "deviance": deviance,
        "residual_df": len(cells) - k - m,
    }
