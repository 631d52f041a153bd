"""Meta-regression: which differences between studies go with differences in effect.

Sources: Thompson & Sharp 1999; Knapp & Hartung 2003 (tests); Higgins & Thompson 2004 (permutation). A
relation between studies is not a relation between patients, and nobody randomised studies to their
moderators: notes say so.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.notes import SetAside
from metakit.core.registry import Registry
from metakit.core.results import Limits, TestStatistic
from metakit.errors import ConvergenceError, NotEstimableError, UnknownNameError
from metakit.models.design_matrix import Moderators, moderators
from metakit.numerics import meta_regression as kernel

FEWEST_DF = 4
STUDIES_PER_MODERATOR = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualTau2Estimator:
    """An estimator of tau2 given moderators."""

    name: str
    kernel: Callable[[FloatArray, FloatArray, FloatArray], kernel.ResidualTau2]


RESIDUAL_TAU2_ESTIMATORS: Registry[ResidualTau2Estimator] = Registry("residual tau2 estimator")
for _name, _kernel in (
    ("reml", kernel.restricted_likelihood),
    ("maximum_likelihood", kernel.likelihood),
    ("dersimonian_laird", kernel.common_effect_moments),
    ("hedges_olkin", kernel.equal_weight_moments),
    ("paule_mandel", kernel.generalised_q),
    ("empirical_bayes", kernel.generalised_q),
):
    RESIDUAL_TAU2_ESTIMATORS.add(ResidualTau2Estimator(name=_name, kernel=_kernel))

TESTS = ("knapp_hartung", "knapp_hartung_floor", "t", "wald")
UNSCALED = ("t", "wald")
TEST_OF_INTERVAL = {
    "hartung_knapp": "knapp_hartung",
    "hartung_knapp_floor": "knapp_hartung_floor",
    "t": "t",
    "wald": "wald",
}
"""The test of coefficients that goes with an interval of a mean: the same errors and quantiles."""


def test_of_interval(interval: str) -> str:
    """Return the test of coefficients by the name of an interval of a mean.

    Raises
    ------
    UnknownNameError
        For an interval that regressions do not have.
    """
    if interval not in TEST_OF_INTERVAL:
        raise UnknownNameError("interval of a meta-regression", interval, TEST_OF_INTERVAL)
    return TEST_OF_INTERVAL[interval]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient:
    """One coefficient on the analysis scale; `df` is infinite for Wald tests."""

    term: str
    estimate: float
    standard_error: float
    interval: Limits
    statistic: float
    df: float
    p_value: float
    permutation_p: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MetaRegressionResult:
    """A fitted meta-regression.

    `covariance` (p, p) is that of the coefficients under the chosen test; `r2` is the share of the
    between-study variance that the moderators take away (None where there is none to explain), never
    below zero.
    """

    measure: str
    tau2_estimator: str
    test: str
    level: float
    k: int
    coefficients: tuple[Coefficient, ...]
    covariance: FloatArray
    tau2: float
    tau2_without: float
    r2: float | None
    i2: float | None
    q_residual: TestStatistic
    omnibus: TestStatistic
    omnibus_df_residual: float
    reference_levels: dict[str, str]
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]

    def predict(self, row: Sequence[float]) -> tuple[float, Limits, Limits]:
        """Return estimate, interval of the mean and prediction interval at a row of the design (1 first)."""
        at = np.asarray(row, dtype=float)
        estimate = float(at @ [coefficient.estimate for coefficient in self.coefficients])
        variance = float(at @ self.covariance @ at)
        df = self.coefficients[0].df
        quantile = _quantile(df, self.level)
        mean, new = quantile * math.sqrt(variance), quantile * math.sqrt(variance + self.tau2)
        return estimate, Limits(estimate - mean, estimate + mean), Limits(estimate - new, estimate + new)

    def to_json(self) -> dict[str, object]:
        """Return the answer in the fixed form of the command line."""
        return {
            "coefficients": [
                {
                    "term": coefficient.term,
                    "estimate": coefficient.estimate,
                    "standard_error": coefficient.standard_error,
                    "interval": list(coefficient.interval),
                    "statistic": coefficient.statistic,
                    "p_value": coefficient.p_value,
                    "permutation_p": coefficient.permutation_p,
                }
                for coefficient in self.coefficients
            ],
            "tau2_estimator": self.tau2_estimator,
            "test": self.test,
            "k": self.k,
            "tau2": self.tau2,
            "r2": self.r2,
            "i2": self.i2,
            "q_residual": self.q_residual._asdict(),
            "omnibus": {**self.omnibus._asdict(), "df_residual": _or_none(self.omnibus_df_residual)},
            "reference_levels": self.reference_levels,
            "set_aside": [{"study": item.study, "reason": item.reason} for item in self.set_aside],
            "notes": list(self.notes),
        }


def meta_regression(
    table: EffectTable,
    names: Sequence[str],
    *,
    tau2: str = "reml",
    test: str = "knapp_hartung",
    level: float = 0.95,
    permutations: int = 0,
    seed: int = 20260302,
) -> MetaRegressionResult:
    """Regress the effects of a table on moderators.

    Parameters
    ----------
    table : EffectTable
    names : sequence of str
        Columns of the table; numbers enter as they are, words as factors.
    tau2, test : str
        Estimator of the residual between-study variance; test of the coefficients.
    permutations : int
        Number of random permutations for the permutation p values; all of them when there are fewer.

    Raises
    ------
    NotEstimableError
        With fewer than 4 residual degrees of freedom, or a design that cannot be fitted.
    """
    if test not in TESTS:
        raise UnknownNameError("test of coefficients", test, TESTS)
    estimator = RESIDUAL_TAU2_ESTIMATORS[tau2]
    made = moderators(table, names)
    y, v, x = table.effect[made.keep], table.variance[made.keep], made.design
    k, p = x.shape
    if k - p < FEWEST_DF:
        raise NotEstimableError(
            f"{k} studies and {p} coefficients leave {k - p} degrees of freedom; below {FEWEST_DF} no "
            "regression "
            "is fitted. Use fewer moderators, or describe the studies in a table"
        )
    between = _settled(estimator.kernel(y, v, x), tau2)
    without = _settled(estimator.kernel(y, v, x[:, :1]), tau2)
    fit = kernel.regress(y, 1.0 / (v + between), x)
    factor = _factor(float(fit.q) / (k - p), test)
    df = math.inf if test == "wald" else float(k - p)
    covariance = fit.covariance * factor
    quantile = _quantile(df, level)
    permuted = _permutation(y, v, x, estimator, test, permutations, seed) if permutations else None
    coefficients = []
    for place, term in enumerate(made.terms):
        estimate, error = float(fit.coefficients[place]), math.sqrt(float(covariance[place, place]))
        coefficients.append(
            Coefficient(
                term=term,
                estimate=estimate,
                standard_error=error,
                interval=Limits(estimate - quantile * error, estimate + quantile * error),
                statistic=estimate / error,
                df=df,
                p_value=_two_sided(estimate / error, df),
                permutation_p=None if permuted is None else float(permuted[place]),
            )
        )
    common = kernel.regress(y, 1.0 / v, x)
    tested = slice(1, p)
    chi = float(
        fit.coefficients[tested] @ np.linalg.solve(covariance[tested, tested], fit.coefficients[tested])
    )
    m = p - 1
    omnibus = TestStatistic(chi, m, float(special.chdtrc(m, chi)))
    if math.isfinite(df):
        omnibus = TestStatistic(chi / m, m, float(special.fdtrc(m, df, chi / m)))
    return MetaRegressionResult(
        measure=table.measure,
        tau2_estimator=tau2,
        test=test,
        level=level,
        k=k,
        coefficients=tuple(coefficients),
        covariance=covariance,
        tau2=between,
        tau2_without=without,
        r2=max(0.0, 1.0 - between / without) if without > 0 else None,
        i2=_i2(v, x, between),
        q_residual=TestStatistic(float(common.q), k - p, float(special.chdtrc(k - p, float(common.q)))),
        omnibus=omnibus,
        omnibus_df_residual=df,
        reference_levels=made.reference_levels,
        set_aside=(*table.set_aside, *made.missing),
        notes=_notes(made, k, len(names), test, factor),
    )


def _permutation(
    y: FloatArray,
    v: FloatArray,
    x: FloatArray,
    estimator: ResidualTau2Estimator,
    test: str,
    count: int,
    seed: int,
) -> FloatArray:
    """Return the share of reorderings of the moderators whose statistics are at least as far from zero.

    The effects stay with their variances; the rows of the design are reordered. All k! orders when they
    are no more than `count`, otherwise the given order and `count` - 1 random ones.
    """
    k = len(y)
    if k <= 9 and math.factorial(k) <= count:
        orders = np.array(list(itertools.permutations(range(k))))
    else:
        generator = np.random.default_rng(seed)
        orders = np.vstack((np.arange(k), [generator.permutation(k) for _ in range(count - 1)]))
    statistics = np.concatenate(
        [
            _statistics(y, v, x[chunk], estimator, test)
            for chunk in np.array_split(orders, -(-len(orders) // 10_000))
        ]
    )
    observed = np.abs(_statistics(y, v, x[None], estimator, test)[0])
    # Ties with the observed order count as at least as extreme; they differ from it by rounding only.
    share: FloatArray = np.mean(np.abs(statistics) >= observed * (1 - 1e-9), axis=0)
    return share


def _statistics(
    y: FloatArray, v: FloatArray, x: FloatArray, estimator: ResidualTau2Estimator, test: str
) -> FloatArray:
    between = estimator.kernel(y, v, x)
    if not np.all(between.converged):
        raise ConvergenceError(
            "tau2 did not settle in every permutation; use tau2 dersimonian_laird for this test"
        )
    fit = kernel.regress(y, 1.0 / (v + between.tau2[..., None]), x)
    factor = np.ones_like(fit.q)
    if test not in UNSCALED:
        factor = fit.q / (x.shape[-2] - x.shape[-1])
        factor = np.maximum(factor, 1.0) if test == "knapp_hartung_floor" else factor
    errors = np.sqrt(np.diagonal(fit.covariance, axis1=-2, axis2=-1) * factor[..., None])
    statistics: FloatArray = fit.coefficients / errors
    return statistics


def _factor(ratio: float, test: str) -> float:
    if test in UNSCALED:
        return 1.0
    return max(ratio, 1.0) if test == "knapp_hartung_floor" else ratio


def _settled(found: kernel.ResidualTau2, name: str) -> float:
    if not bool(found.converged):
        raise ConvergenceError(
            f"the residual between-study variance by {name} did not settle; try dersimonian_laird"
        )
    return float(found.tau2)


def _i2(v: FloatArray, x: FloatArray, tau2: float) -> float | None:
    """Share of residual variation between studies, by the typical variance (Higgins & Thompson 2002)."""
    fit = kernel.regress(v, 1.0 / v, x)  # only its leverages count
    typical = (len(v) - x.shape[1]) / float(np.vecdot(1.0 / v, 1.0 - fit.leverage))
    return float(tau2 / (tau2 + typical))


def _notes(made: Moderators, k: int, asked: int, test: str, factor: float) -> tuple[str, ...]:
    notes = [
        "A relation between studies is not a relation between patients, and it may be due to something "
        "else that "
        "differs between the same studies."
    ]
    if k < STUDIES_PER_MODERATOR * asked:
        notes.append(
            f"Caution: {k} studies for {asked} moderator{'s' if asked > 1 else ''}; fewer than "
            f"{STUDIES_PER_MODERATOR} a moderator find relations that are not there."
        )
    if test == "knapp_hartung" and factor < 1.0:
        notes.append(
            f"The Knapp-Hartung factor is {factor:.2f}: studies lie closer to the line than chance alone "
            "would put them, so the intervals are narrower than Wald's; compare with the same test "
            "with a floor (a factor of at least 1)."
        )
    notes += [f"{name}: compared with {level!r}." for name, level in made.reference_levels.items()]
    return tuple(notes)


def _quantile(df: float, level: float) -> float:
    tail = 0.5 + level / 2
    return float(special.ndtri(tail) if math.isinf(df) else special.stdtrit(df, tail))


def _two_sided(statistic: float, df: float) -> float:
    return 2 * float(special.ndtr(-abs(statistic)) if math.isinf(df) else special.stdtr(df, -abs(statistic)))


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None
