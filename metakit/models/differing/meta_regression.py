"""Meta-regression: which differences between studies go with differences in effect.

Sources: Thompson & Sharp 1999; Knapp & Hartung 2003 (tests); Higgins & Thompson 2004 (permutation). A
relation between studies is not a relation between patients, and nobody randomised studies to their
moderators: notes say so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.errors import ConvergenceError, NotEstimableError, UnknownNameError
from metakit.models.differing.coefficients import Coefficients
from metakit.models.differing.design_matrix import Moderators, moderators
from metakit.models.differing.meta_regression_result import Coefficient, MetaRegressionResult
from metakit.models.differing.residual_tau2 import RESIDUAL_TAU2_ESTIMATORS, TESTS, UNSCALED, permutation_p
from metakit.models.inference import DEFAULT_INFERENCE, INFERENCES
from metakit.models.posteriors.half_normal_priors import half_normal_prior
from metakit.numerics import meta_regression as kernel
from metakit.numerics.posteriors.spread_integral import SpreadPosterior, spread_posterior

FEWEST_DF = 4
STUDIES_PER_MODERATOR = 10


def meta_regression(
    table: EffectTable,
    names: Sequence[str],
    *,
    tau2: str | None = None,
    test: str | None = None,
    inference: str = DEFAULT_INFERENCE,
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
    tau2, test : str, optional
        Estimator of the residual between-study variance (default reml) and test of the coefficients (default
        knapp_hartung); naming one of them computes exactly that.
    inference : str
        The rule where neither is named: the residual spread integrated over a half-normal prior, or REML with
        Knapp-Hartung errors whose factor is not below 1. Each stands beside the other.
    permutations : int
        Number of random permutations for the permutation p values; all of them when there are fewer. Their
        statistics are those of REML and Knapp-Hartung where the rule is half-normal.
    level : float
        Of all intervals.
    seed : int
        Of the random permutations.

    Raises
    ------
    NotEstimableError
        With fewer than 4 residual degrees of freedom, or a design that cannot be fitted.

    References
    ----------
    Knapp G, Hartung J 2003 Stat Med 22:2693-2710; Jackson D, Riley RD 2014 Stat Med 33:541-554; Rover C et
    al. 2021 Res Synth Methods 12:448-474.
    """
    rule = "" if tau2 or test else INFERENCES[inference].name
    estimator_name = tau2 or "reml"
    test_name = test or ("knapp_hartung_floor" if rule == "hartung_knapp" else "knapp_hartung")
    if test_name not in TESTS:
        raise UnknownNameError("test of coefficients", test_name, TESTS)
    estimator = RESIDUAL_TAU2_ESTIMATORS[estimator_name]
    made = moderators(table, names)
    y, v, x = table.effect[made.keep], table.variance[made.keep], made.design
    k, p = x.shape
    if k - p < FEWEST_DF:
        raise NotEstimableError(
            f"{k} studies and {p} coefficients leave {k - p} degrees of freedom; below {FEWEST_DF} no "
            "regression "
            "is fitted. Use fewer moderators, or describe the studies in a table"
        )
    permuted = permutation_p(y, v, x, estimator, test_name, permutations, seed) if permutations else None
    data = _Data(y=y, v=v, x=x, made=made, table=table, asked=len(names), level=level, permuted=permuted)
    if not rule:
        return _estimated(data, estimator_name, test_name, "")
    other = _estimated(data, "reml", "knapp_hartung_floor", "hartung_knapp")
    scale = half_normal_prior(table)
    if scale is None:
        note = "The half-normal rule has no prior scale for these effects: the other rule answers."
        return replace(other, notes=(note, *other.notes)) if rule == "half_normal" else other
    integrated = _integrated(data, scale.scale)
    if rule == "half_normal":
        return replace(integrated, beside={"hartung_knapp": other})
    return replace(other, beside={"half_normal": integrated})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Data:
    """Effects, variances and design of the studies that enter, and what is asked of them."""

    y: FloatArray
    v: FloatArray
    x: FloatArray
    made: Moderators
    table: EffectTable
    asked: int
    level: float
    permuted: FloatArray | None


def _estimated(data: _Data, tau2: str, test: str, inference: str) -> MetaRegressionResult:
    """Fit with tau2 at its estimate."""
    y, v, x = data.y, data.v, data.x
    estimator = RESIDUAL_TAU2_ESTIMATORS[tau2]
    between = _settled(estimator.kernel(y, v, x), tau2)
    without = _settled(estimator.kernel(y, v, x[:, :1]), tau2)
    fit = kernel.regress(y, 1.0 / (v + between), x)
    free = x.shape[0] - x.shape[1]
    factor = _factor(float(fit.q) / free, test)
    rule = Coefficients(
        values=fit.coefficients,
        covariance=fit.covariance * factor,
        df=math.inf if test == "wald" else float(free),
        posterior=None,
        level=data.level,
    )
    notes = _factor_notes(factor) if test == "knapp_hartung" and factor < 1.0 else ()
    return _result(data, rule, (between, without), tau2, test, notes, inference=inference)


def _integrated(data: _Data, scale: float) -> MetaRegressionResult:
    """Fit with tau integrated over a half-normal prior."""
    y, v, x = data.y, data.v, data.x
    smallest = math.sqrt(float(v.min()))

    def posterior(design: FloatArray) -> SpreadPosterior:
        scaled, basis = kernel.well_scaled(design)
        return spread_posterior(
            lambda tau: kernel.regress_given_tau(y, v, scaled, tau),
            scale=scale,
            smallest=smallest,
            basis=basis,
        )

    found = posterior(x)
    tails = (0.5 - data.level / 2, 0.5, 0.5 + data.level / 2)
    low, middle, high = (found.tau_quantile(tail) for tail in tails)
    rule = Coefficients(
        values=found.mean(), covariance=found.covariance(), df=math.inf, posterior=found, level=data.level
    )
    without = posterior(x[:, :1]).tau_quantile(0.5) ** 2
    answer = _result(
        data, rule, (middle**2, without), "half_normal", "posterior", (), inference="half_normal"
    )
    return replace(answer, prior_scale=scale, tau2_interval=Limits(low**2, high**2))


def _result(
    data: _Data,
    rule: Coefficients,
    tau2: tuple[float, float],
    estimator: str,
    test: str,
    notes: tuple[str, ...],
    *,
    inference: str,
) -> MetaRegressionResult:
    y, v, x = data.y, data.v, data.x
    k, p = x.shape
    between, without = tau2
    coefficients = []
    for place, term in enumerate(data.made.terms):
        estimate, error, interval, p_value = rule.tell(np.eye(p)[place])
        coefficients.append(
            Coefficient(
                term=term,
                estimate=estimate,
                standard_error=error,
                interval=interval,
                statistic=estimate / error if rule.posterior is None else None,
                df=rule.df,
                p_value=p_value,
                permutation_p=None if data.permuted is None else float(data.permuted[place]),
            )
        )
    common = kernel.regress(y, 1.0 / v, x)
    omnibus = rule.test(np.eye(p)[1:])
    if omnibus is None:  # no moderator has a column of its own
        raise NotEstimableError("no moderator varies between these studies")
    return MetaRegressionResult(
        measure=data.table.measure,
        tau2_estimator=estimator,
        test=test,
        level=data.level,
        k=k,
        coefficients=tuple(coefficients),
        covariance=rule.covariance,
        tau2=between,
        tau2_without=without,
        r2=max(0.0, 1.0 - between / without) if without > 0 else None,
        i2=_i2(v, x, between),
        q_residual=TestStatistic(float(common.q), k - p, float(special.chdtrc(k - p, float(common.q)))),
        omnibus=omnibus,
        omnibus_df_residual=rule.df,
        reference_levels=data.made.reference_levels,
        set_aside=(*data.table.set_aside, *data.made.missing),
        notes=(*_notes(data.made, k, data.asked), *notes),
        rule=rule,
        inference=inference,
    )


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


def _notes(made: Moderators, k: int, asked: int) -> tuple[str, ...]:
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
    notes += [f"{name}: compared with {level!r}." for name, level in made.reference_levels.items()]
    return tuple(notes)


def _factor_notes(factor: float) -> tuple[str, ...]:
    return (
        f"The Knapp-Hartung factor is {factor:.2f}: studies lie closer to the line than chance alone "
        "would put them, so the intervals are narrower than Wald's; compare with the same test "
        "with a floor (a factor of at least 1).",
    )
