"""Tests for small-study effects, chosen by measure and refused where they mislead.

An asymmetric funnel has many causes: true differences between small and large studies, poorer methods in
small ones, selective reporting, an artefact of the measure, chance. No test tells them apart (Sterne
2011).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.registry import Registry
from metakit.errors import NotEstimableError, UsageError
from metakit.models.differing.residual_tau2 import RESIDUAL_TAU2_ESTIMATORS
from metakit.numerics import meta_regression as kernel
from metakit.numerics.small_study import on_a_line

FEWEST = 10
"""Studies below which no test is run unless forced (Handbook 13.3.5.4; Sterne 2011)."""

CAUSES = (
    "Asymmetry has many causes (real differences between small and large studies, poorer methods in "
    "small ones, "
    "selective reporting, the measure itself, chance); a test cannot tell them apart, and a test without "
    "a finding "
    "does not exclude them."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallStudyTest:
    """Answer of one test. `estimate` is the quantity tested against zero; `df` is None for normal tests."""

    test: str
    label: str
    k: int
    estimate: float
    standard_error: float | None
    statistic: float
    df: float | None
    p_value: float
    notes: tuple[str, ...] = (CAUSES,)

    def to_json(self) -> dict[str, object]:
        """Return the answer in the fixed form of the command line."""
        return {
            "estimate": self.estimate,
            "standard_error": self.standard_error,
            "statistic": self.statistic,
            "df": self.df,
            "p_value": self.p_value,
            "k": self.k,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class TestEntry:
    """One test: a function of an effect table, and the measures that it suits (empty: any effect)."""

    name: str
    label: str
    compute: Callable[[EffectTable], SmallStudyTest]
    suits: tuple[str, ...]
    unsuitable: str
    references: tuple[str, ...] = ("sterne_2011",)


SMALL_STUDY_TESTS: Registry[TestEntry] = Registry("small-study test")


def small_study_test(table: EffectTable, name: str | None = None, *, force: bool = False) -> SmallStudyTest:
    """Run the named test, or the one that suits the measure.

    Raises
    ------
    NotEstimableError
        With fewer than 10 studies (unless forced), fewer than 3 at all, or studies of one and the same
        precision.
    UsageError
        If the test does not suit the measure (unless forced): the message says why and names one that does.
    """
    usable = table.select(table.estimable)
    chosen = SMALL_STUDY_TESTS[name] if name else SMALL_STUDY_TESTS[suitable_test(table.measure)]
    if table.measure not in chosen.suits and not force:
        better = suitable_test(table.measure)
        raise UsageError(f"{chosen.label}: {chosen.unsuitable} For this measure use {better}.")
    k = len(usable)
    if k < 3 or (k < FEWEST and not force):
        raise NotEstimableError(
            f"{k} studies are too few for a test of small-study effects (at least {FEWEST}); look at the "
            "funnel plot "
            "and do not read much into it"
        )
    if np.ptp(usable.variance) <= 1e-9 * float(np.max(usable.variance)):
        raise NotEstimableError(
            "all studies have the same precision: there are no small ones to compare with"
        )
    if np.ptp(usable.effect) <= 1e-12 * float(np.max(np.abs(usable.effect))):
        raise NotEstimableError("all studies have the same effect: nothing can lean to one side")
    found = chosen.compute(usable)
    forced = []
    if table.measure not in chosen.suits:
        forced.append(f"Run all the same, as it was forced: {chosen.unsuitable}")
    if k < FEWEST:
        forced.append(
            f"Run all the same, as it was forced: {k} studies are too few for it (at least {FEWEST})."
        )
    return replace(found, notes=(*forced, *found.notes)) if forced else found


def suitable_test(measure: str) -> str:
    """Return the test that suits a measure (Handbook 13.3.5.4; Pustejovsky & Rodgers 2019)."""
    for entry in SMALL_STUDY_TESTS:
        if measure in entry.suits:
            return entry.name
    words = measure.replace("_", " ")
    raise NotEstimableError(f"no small-study test suits {words}; show the funnel plot instead")


def _regression(
    test: str, label: str, effect: FloatArray, weight: FloatArray, predictor: FloatArray, place: int
) -> SmallStudyTest:
    """Weighted regression with a dispersion that multiplies the variances; t test with k - 2 df."""
    k = len(effect)
    fit = kernel.regress(effect, weight, np.column_stack((np.ones(k), predictor)))
    if on_a_line(float(fit.q), effect, weight):
        raise NotEstimableError(
            f"{label}: the effects lie exactly on a line: there is no error to test it by"
        )
    dispersion = float(fit.q) / (k - 2)
    estimate = float(fit.coefficients[place])
    error = math.sqrt(float(fit.covariance[place, place]) * dispersion)
    statistic = estimate / error
    return SmallStudyTest(
        test=test,
        label=label,
        k=k,
        estimate=estimate,
        standard_error=error,
        statistic=statistic,
        df=float(k - 2),
        p_value=2 * float(special.stdtr(k - 2, -abs(statistic))),
    )


def egger(table: EffectTable) -> SmallStudyTest:
    """Regress effects on their standard errors (Egger 1997); the slope is what Egger calls the intercept."""
    error = np.sqrt(table.variance)
    return _regression("egger", "Egger's regression", table.effect, 1 / table.variance, error, 1)


def begg(table: EffectTable) -> SmallStudyTest:
    """Rank correlation of standardised effects with their variances (Begg & Mazumdar 1994).

    The p value is exact where there are no ties and at most 50 studies (scipy's Kendall test), else normal.
    """
    from scipy import stats

    weight = 1 / table.variance
    centre = float(np.sum(weight * table.effect) / np.sum(weight))
    deviate = (table.effect - centre) / np.sqrt(table.variance - 1 / np.sum(weight))
    k = len(table)
    ties = len(np.unique(deviate)) < k or len(np.unique(table.variance)) < k
    exact = not ties and k <= 50
    found = stats.kendalltau(deviate, table.variance, method="exact" if exact else "asymptotic")
    concordance = float(np.sum(np.sign(np.subtract.outer(deviate, deviate)[np.triu_indices(k, 1)])
                               * np.sign(np.subtract.outer(table.variance,
                               table.variance)[np.triu_indices(k, 1)])))  # fmt: skip
    spread = math.sqrt(k * (k - 1) * (2 * k + 5) / 18)
    return SmallStudyTest(
        test="begg",
        label="Begg and Mazumdar's rank correlation",
        k=k,
        estimate=float(found.statistic),
        standard_error=None,
        statistic=concordance / spread,
        df=None,
        p_value=float(found.pvalue),
        notes=(CAUSES, "The p value is exact." if exact else "The p value is by normal approximation."),
    )


def _counts(table: EffectTable) -> tuple[FloatArray, ...]:
    return tuple(table.data[name] for name in ("events_1", "total_1", "events_2", "total_2"))


def harbord(table: EffectTable) -> SmallStudyTest:
    """Regress score over root information on root information and test the intercept (Harbord 2006)."""
    a, n1, c, n2 = _counts(table)
    n, events = n1 + n2, a + c
    score = a - n1 * events / n
    information = n1 * n2 * events * (n - events) / (n**2 * (n - 1))
    root = np.sqrt(information)
    return _regression("harbord", "Harbord's score test", score / information, information, 1 / root, 1)


def peters(table: EffectTable) -> SmallStudyTest:
    """Regress the effect on the inverse sample size, weighted by events and non-events (Peters 2006)."""
    a, n1, c, n2 = _counts(table)
    n, events = n1 + n2, a + c
    return _regression("peters", "Peters' test", table.effect, 1 / (1 / events + 1 / (n - events)), 1 / n, 1)


def arcsine_with_tau2(table: EffectTable) -> SmallStudyTest:
    """Regress arcsine differences on their standard errors under random effects (Rücker 2008).

    Zero cells need no correction; the variance of the arcsine difference does not depend on the events.
    """
    a, n1, c, n2 = _counts(table)
    effect = np.arcsin(np.sqrt(a / n1)) - np.arcsin(np.sqrt(c / n2))
    variance = 1 / (4 * n1) + 1 / (4 * n2)
    design = np.column_stack((np.ones(len(effect)), np.sqrt(variance)))
    between = RESIDUAL_TAU2_ESTIMATORS["reml"].kernel(effect, variance, design)
    fit = kernel.regress(effect, 1 / (variance + float(between.tau2)), design)
    estimate, error = float(fit.coefficients[1]), math.sqrt(float(fit.covariance[1, 1]))
    k = len(effect)
    return SmallStudyTest(
        test="arcsine_with_tau2",
        label="arcsine regression with between-study variance",
        k=k,
        estimate=estimate,
        standard_error=error,
        statistic=estimate / error,
        df=float(k - 2),
        p_value=2 * float(special.stdtr(k - 2, -abs(estimate / error))),
    )


def sample_size_regression(table: EffectTable) -> SmallStudyTest:
    """Regress the effect on the part of its error that sample size alone gives (Pustejovsky 2019)."""
    n1, n2 = table.data["total_1"], table.data["total_2"]
    size = 1 / n1 + 1 / n2
    return _regression(
        "sample_size_regression", "regression on sample size", table.effect, 1 / size, np.sqrt(size), 1
    )


_LINKED = (
    "the effect and its standard error are linked by arithmetic here, so that it finds asymmetry too often."
)
_NEEDS_COUNTS = "it needs events and totals of two arms."
for _entry in (
    TestEntry(
        name="harbord",
        label="Harbord's score test",
        compute=harbord,
        suits=("odds_ratio", "peto_odds_ratio"),
        unsuitable=_NEEDS_COUNTS,
    ),
    TestEntry(
        name="peters", label="Peters' test", compute=peters, suits=("odds_ratio",), unsuitable=_NEEDS_COUNTS
    ),
    TestEntry(
        name="arcsine_with_tau2",
        label="arcsine regression with between-study variance",
        compute=arcsine_with_tau2,
        suits=("risk_ratio", "odds_ratio", "risk_difference", "arcsine_difference", "peto_odds_ratio"),
        unsuitable=_NEEDS_COUNTS,
        references=("rucker_2009", "sterne_2011"),
    ),
    TestEntry(
        name="sample_size_regression",
        label="regression on sample size",
        compute=sample_size_regression,
        suits=("standardized_mean_difference",),
        unsuitable="it is made for standardised mean differences.",
    ),
    TestEntry(
        name="egger",
        label="Egger's regression",
        compute=egger,
        suits=("mean_difference", "generic", "hazard_ratio", "ratio_of_means", "rate_ratio"),
        unsuitable=_LINKED,
    ),
    TestEntry(
        name="begg",
        label="Begg and Mazumdar's rank correlation",
        compute=begg,
        suits=("mean_difference", "generic", "hazard_ratio", "ratio_of_means"),
        unsuitable=_LINKED,
    ),
):
    SMALL_STUDY_TESTS.add(_entry)
