"""Design effects of bilateral cases, agreement between two people, weighted means, the sign test.

Sources, from memory unless said: Cochrane Handbook 23.1 (design effect); Cohen 1960 and Fleiss, Cohen & Everitt
1969 (kappa and its large-sample error); Byrt, Bishop & Carlin 1993 (prevalence-adjusted kappa); Efron & Tibshirani
1993, chapter 11 (jackknife); Clopper & Pearson 1934 (exact limits of a share).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, chi2_sf, exact, normal_quantile, t_quantile, total


def design_effect(patients: object, thumbs: object, icc: object) -> dict[str, Number]:
    """Return bilateral cases, size-weighted cluster size, design effect and effective number of thumbs."""
    p, t, rho = exact((patients, thumbs, icc))
    bilateral = t - p
    size = (p + 3 * bilateral) / t  # unilateral thumbs weigh 1 each, bilateral ones 2 each: (p - b + 4 b) / t
    effect = 1 + (size - 1) * rho
    return {"bilateral": bilateral, "cluster_size": size, "design_effect": effect, "effective": t / effect}


Table = Sequence[Sequence[int]]


def kappa(table: Table, level: Number) -> dict[str, object]:
    """Return observed and expected agreement, Cohen's kappa with its errors and interval, prevalence-adjusted kappa."""
    size, k = mpf(sum(map(sum, table))), len(table)
    p = [[mpf(cell) / size for cell in row] for row in table]
    rows = [total(row) for row in p]
    columns = [total(p[i][j] for i in range(k)) for j in range(k)]
    observed = total(p[i][i] for i in range(k))
    chance = total(a * b for a, b in zip(rows, columns, strict=True))
    adjusted = (k * observed - 1) / (k - 1)
    adjusted_se = mpf(k) / (k - 1) * mp.sqrt(observed * (1 - observed) / size)
    z = normal_quantile((1 + level) / 2)
    answer: dict[str, object] = {
        "observed": observed,
        "expected": chance,
        "prevalence_adjusted": {
            "estimate": adjusted,
            "standard_error": adjusted_se,
            "interval": [adjusted - z * adjusted_se, adjusted + z * adjusted_se],
        },
    }
    if chance < 1:
        value = (observed - chance) / (1 - chance)
        inner = total(p[i][i] * (1 - (rows[i] + columns[i]) * (1 - value)) ** 2 for i in range(k)) + (
            1 - value
        ) ** 2 * total(p[i][j] * (columns[i] + rows[j]) ** 2 for i in range(k) for j in range(k) if i != j)
        variance = (inner - (value - chance * (1 - value)) ** 2) / (size * (1 - chance) ** 2)
        null = chance + chance**2 - total(a * b * (a + b) for a, b in zip(rows, columns, strict=True))
        se = mp.sqrt(variance)
        answer["kappa"] = {
            "estimate": value,
            "standard_error": se,
            "standard_error_if_none": mp.sqrt(null / (size * (1 - chance) ** 2)),
            "interval": [value - z * se, value + z * se],
        }
    return answer


def jackknife(
    groups: Sequence[object], statistic: Callable[[Sequence[object]], Number], level: Number
) -> dict[str, object]:
    """Leave out one group at a time: (g - 1) / g times the squared deviations of the leave-one-out values."""
    g = len(groups)
    whole = statistic(groups)
    without = [statistic([*groups[:i], *groups[i + 1 :]]) for i in range(g)]
    centre = total(without) / g
    se = mp.sqrt(mpf(g - 1) / g * total((item - centre) ** 2 for item in without))
    around_whole = mp.sqrt(mpf(g - 1) / g * total((item - whole) ** 2 for item in without))
    answer: dict[str, object] = {
        "estimate": whole,
        "standard_error": se,
        "standard_error_around_whole": around_whole,
        "bias_corrected": g * whole - (g - 1) * centre,
    }
    for name, quantile in (
        ("normal", normal_quantile((1 + level) / 2)),
        ("t", t_quantile((1 + level) / 2, g - 1)),
    ):
        answer[f"interval_{name}"] = [whole - quantile * se, whole + quantile * se]
    return answer


def share_of(groups: Sequence[tuple[int, int]]) -> Number:
    """Return agreements over comparisons of all groups together."""
    return mpf(sum(a for a, _ in groups)) / sum(n for _, n in groups)


def limits_of_agreement(first: Vector, second: Vector, level: Number) -> dict[str, object]:
    """Return mean difference, its SD (n - 1) and limits at mean -/+ z SD (Bland & Altman 1986)."""
    d = [a - b for a, b in zip(first, second, strict=True)]
    mean = total(d) / len(d)
    sd = mp.sqrt(total((item - mean) ** 2 for item in d) / (len(d) - 1))
    z = normal_quantile((1 + level) / 2)
    return {"mean": mean, "sd": sd, "limits": [mean - z * sd, mean + z * sd]}


def clopper_pearson(x: int, n: int, level: Number) -> list[Number]:
    """Return exact limits of a share: each tail holds (1 - level) / 2."""
    tail = (1 - level) / 2

    def beta_cdf(p: Number, a: int, b: int) -> Number:
        return mp.betainc(a, b, 0, p, regularized=True)

    tiny = mpf(10) ** (-30)
    low = mpf(0) if x == 0 else bracketed_root(lambda p: beta_cdf(p, x, n - x + 1) - tail, tiny, 1 - tiny)
    high = (
        mpf(1) if x == n else bracketed_root(lambda p: beta_cdf(p, x + 1, n - x) - 1 + tail, tiny, 1 - tiny)
    )
    return [low, high]


def sign_test(favourable: int, total_count: int) -> Number:
    """Return the two-sided p value of a fair coin, twice the smaller tail, at most one."""
    smaller = min(favourable, total_count - favourable)
    tail = mpf(sum(int(mp.binomial(total_count, j)) for j in range(smaller + 1))) / mpf(2) ** total_count
    return min(mpf(1), 2 * tail)


def weighted_mean(values: Sequence[object], weights: Sequence[object]) -> Number:
    """Return sum w x / sum w."""
    x, w = exact(values), exact(weights)
    return total(a * b for a, b in zip(x, w, strict=True)) / total(w)


def stratified_kappa(studies: Sequence[dict[str, tuple[str, str]]]) -> Number:
    """Return the mean of the fields' kappas weighted by their numbers of values, without undefined ones.

    Weights by size: one of the choices in Barlow, Lai & Azen 1991. A study holds a pair of categories a field.
    """
    top, bottom = mpf(0), mpf(0)
    for field in sorted({name for study in studies for name in study}):
        pairs = [study[field] for study in studies if field in study]
        names = sorted({item for pair in pairs for item in pair})
        table = [[sum(pair == (one, two) for pair in pairs) for two in names] for one in names]
        if len(names) > 1:
            found = kappa(table, mpf("0.95"))
            if "kappa" in found:
                top += len(pairs) * found["kappa"]["estimate"]  # type: ignore[index]
                bottom += len(pairs)
    return top / bottom


def fisher_combination(p_values: Sequence[object]) -> tuple[Number, Number]:
    """Return -2 sum log p and its p value by chi-square with 2 k degrees of freedom (Fisher 1932)."""
    p = exact(p_values)
    statistic = -2 * total(mp.log(item) for item in p)
    return statistic, chi2_sf(statistic, mpf(2 * len(p)))
