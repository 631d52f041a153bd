"""How well two people agree: categories (kappa) and numbers (limits of agreement).

Sources: Cohen 1960 and Fleiss, Cohen & Everitt 1969 (kappa and its standard error, through statsmodels),
Byrt 1993 (the prevalence- and bias-adjusted kappa of two categories; of k it is (k p - 1) / (k - 1), p being
the share on which both agree, k the categories that could be chosen), Bland & Altman 1986 (limits of
agreement).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits

SMALLEST_ERROR = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class CategoryAgreement:
    """Agreement of two people on categories.

    `kappa` and its interval are None where everything was put into one category by both: chance agreement
    is then complete and kappa is not defined. `adjusted_kappa` is the prevalence- and bias-adjusted one,
    None where only one category is known of.
    """

    n: int
    same: int
    categories: tuple[str, ...]
    proportion_same: float
    kappa: float | None
    kappa_interval: Limits | None
    adjusted_kappa: float | None
    level: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberAgreement:
    """Agreement of two people on numbers: how many are the same, and the limits of agreement.

    `limits` holds about 95 % of the differences (first minus second) if they are normal: mean difference
    plus and minus 1.96 standard deviations. None with fewer than two pairs.
    """

    n: int
    same: int
    proportion_same: float | None
    mean_difference: float | None
    limits: Limits | None


def category_agreement(
    first: Sequence[str], second: Sequence[str], *, choices: int | None = None, level: float = 0.95
) -> CategoryAgreement:
    """Compare two people's categories, item by item.

    Parameters
    ----------
    first, second : sequence of str, length n
        What each person put each item into, in the same order.
    choices : int, optional
        How many categories could be chosen, for the adjusted kappa; those that somebody chose when left out.
        Categories nobody chose count: chance would have fallen on them too.
    level : float
        Level of the interval of kappa (large-sample standard error).

    Raises
    ------
    ValueError
        If the lengths differ or there is no item.

    References
    ----------
    Fleiss JL 1981, Statistical Methods for Rates and Proportions, 2nd ed., section 13.1; Byrt T, Bishop J,
    Carlin JB 1993, J Clin Epidemiol 46:423-429, for two categories; for more of them, chance agreement of
    1 / k (Bennett EM, Alpert R, Goldstein AC 1954, Public Opin Q 18:303-308; from memory).
    """
    if len(first) != len(second) or not first:
        raise ValueError("two sequences of one positive length are needed")
    categories = tuple(sorted(set(first) | set(second)))
    index = {name: position for position, name in enumerate(categories)}
    table = np.zeros((len(categories), len(categories)))
    np.add.at(table, ([index[name] for name in first], [index[name] for name in second]), 1)
    n, same = len(first), int(np.trace(table))
    count = max(choices or 0, len(categories))
    adjusted = (count * same / n - 1) / (count - 1) if count > 1 else None
    if len(categories) == 1:
        note = "both put every item into the same single category: kappa is not defined"
        return CategoryAgreement(
            n=n, same=same, categories=categories, proportion_same=1.0, level=level,
            kappa=None, kappa_interval=None, adjusted_kappa=adjusted, note=note,
        )  # fmt: skip
    kappa, variance = _kappa(table)
    error = math.sqrt(max(variance, 0.0))
    if error < SMALLEST_ERROR:  # zero but for rounding: one person used a single category
        error = 0.0
    half = float(special.ndtri(0.5 + level / 2)) * error
    return CategoryAgreement(
        n=n,
        same=same,
        categories=categories,
        proportion_same=same / n,
        kappa=kappa,
        kappa_interval=Limits(max(kappa - half, -1.0), min(kappa + half, 1.0)) if error > 0 else None,
        adjusted_kappa=adjusted,
        level=level,
        note="" if error > 0 else "the large-sample error is zero here: no interval can be given",
    )


def _kappa(table: FloatArray) -> tuple[float, float]:
    """Return Cohen's kappa of a square table of counts, and its large-sample variance."""
    from statsmodels.stats.inter_rater import cohens_kappa

    with np.errstate(divide="ignore", invalid="ignore"):  # its test statistic, unused here, may divide by 0
        found = cohens_kappa(table, return_results=True)
    return float(found.kappa) + 0.0, float(found.var_kappa)


def number_agreement(first: Sequence[float], second: Sequence[float]) -> NumberAgreement:
    """Compare two people's numbers, item by item.

    Parameters
    ----------
    first, second : sequence of float, length n
        The numbers typed, in the same order and unit.

    References
    ----------
    Bland JM, Altman DG 1986, Lancet 1:307-310.
    """
    if len(first) != len(second):
        raise ValueError("two sequences of one length are needed")
    n = len(first)
    difference = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    same = int(np.sum(difference == 0.0))
    mean = float(difference.mean()) if n else None
    limits = None
    if n >= 2 and mean is not None:
        half = 1.959963984540054 * float(difference.std(ddof=1))
        limits = Limits(mean - half, mean + half)
    return NumberAgreement(
        n=n, same=same, proportion_same=same / n if n else None, mean_difference=mean, limits=limits
    )
