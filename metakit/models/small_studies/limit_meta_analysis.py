"""Limit meta-analysis: what the mean would be if every study were infinitely precise (Rücker 2011)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.errors import ConvergenceError
from metakit.models.batch import random_effects_batch
from metakit.models.small_studies.small_study_adjustments import (
    SMALL_STUDY_ADJUSTMENTS,
    AdjustedEstimate,
    Adjustment,
    AdjustmentOptions,
)
from metakit.numerics.meta_regression import regress
from metakit.numerics.small_study import limit_fit

CANNOT_TELL = (
    "Sensitivity analysis: a limit meta-analysis asks what the mean would be if every study were infinitely "
    "precise. It cannot tell whether small studies differ because some were never reported or because they "
    "truly differ."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitMetaAnalysis(AdjustedEstimate):
    """Limit of the mean; `bias` is alpha, `limit_effects` what each study comes to at infinite precision.

    `q_small_study` is the part of Q that the size of studies explains (1 degree of freedom), `q_residual`
    the rest. `unadjusted` is the random-effects mean with the same tau2.
    """

    method: ClassVar[str] = "limit_meta_analysis"
    label: ClassVar[str] = "limit meta-analysis"

    unadjusted: float
    tau2: float
    tau2_estimator: str
    bias: float
    bias_standard_error: float
    limit_effects: tuple[float, ...]
    q_small_study: TestStatistic
    q_residual: TestStatistic

    def details(self) -> dict[str, Any]:
        """Return the bias, tau2 and the parts of Q."""
        return {
            "unadjusted": self.unadjusted,
            "tau2": self.tau2,
            "tau2_estimator": self.tau2_estimator,
            "bias": self.bias,
            "bias_standard_error": self.bias_standard_error,
            "limit_effects": list(self.limit_effects),
            "q_small_study": self.q_small_study._asdict(),
            "q_residual": self.q_residual._asdict(),
        }


def limit_meta_analysis(
    effect: FloatArray, variance: FloatArray, options: AdjustmentOptions
) -> LimitMetaAnalysis:
    """Extend the random-effects model by a bias that grows with the error of a study; take its limit.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
    options : AdjustmentOptions
        `level` and the estimator `tau2`.

    Raises
    ------
    ConvergenceError
        If tau2 does not settle.
    """
    pooled = random_effects_batch(effect, variance, tau2=options.tau2, interval="wald", prediction=None)
    if not bool(pooled.tau2.converged):
        raise ConvergenceError(f"limit meta-analysis: tau2 by {options.tau2} did not settle")
    between = float(pooled.tau2.tau2)
    found = limit_fit(effect, variance, between)
    estimate, error = float(found.estimate), float(found.standard_error)
    reach = float(special.ndtri((1 + options.level) / 2)) * error
    k, weight, root = len(effect), 1 / variance, np.sqrt(variance)
    whole = float(regress(effect, weight, np.ones((k, 1))).q)
    rest = float(regress(effect, weight, np.column_stack((np.ones(k), root))).q)
    notes: tuple[str, ...] = ()
    if between == 0:
        notes = (
            "tau² is estimated as zero: the limit is then the line carried on to a standard error of zero, "
            "and its interval is wide.",
        )
    return LimitMetaAnalysis(
        k=k,
        level=options.level,
        estimate=estimate,
        standard_error=error,
        interval=Limits(estimate - reach, estimate + reach),
        cannot_tell=CANNOT_TELL,
        notes=notes,
        unadjusted=float(pooled.mean.estimate),
        tau2=between,
        tau2_estimator=options.tau2,
        bias=float(found.bias),
        bias_standard_error=float(found.bias_error),
        limit_effects=tuple(found.limit_effect.tolist()),
        q_small_study=_q(whole - rest, 1),
        q_residual=_q(rest, k - 2),
    )


def _q(value: float, df: int) -> TestStatistic:
    held = max(value, 0.0)  # rounding can leave a difference of two equal sums just below zero
    return TestStatistic(value=held, df=float(df), p_value=float(special.chdtrc(df, held)))


SMALL_STUDY_ADJUSTMENTS.add(
    Adjustment(
        name="limit_meta_analysis",
        label=LimitMetaAnalysis.label,
        compute=limit_meta_analysis,
        references=("rucker_2011",),
    )
)
