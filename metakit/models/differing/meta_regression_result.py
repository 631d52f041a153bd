"""What a meta-regression answers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.core.notes import SetAside
from metakit.models.differing.coefficients import Coefficients


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient:
    """One coefficient on the analysis scale; `df` is infinite for Wald tests.

    From a posterior the estimate is its median, the error its standard deviation and the p value its
    two-sided area beyond zero, so that it agrees with the interval; there is no statistic then.
    """

    term: str
    estimate: float
    standard_error: float
    interval: Limits
    statistic: float | None
    df: float
    p_value: float
    permutation_p: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MetaRegressionResult:
    """A fitted meta-regression.

    `covariance` (p, p) is that of the coefficients under the chosen test; `r2` is the share of the
    between-study variance that the moderators take away (None where there is none to explain), never
    below zero. `inference` names the rule that answered, "" where an estimator or a test was named; under the
    half-normal one `tau2` is the square of tau's posterior median. `beside` holds the same regression by the
    other rule and, with few studies, with twice the spread.
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
    rule: Coefficients
    inference: str = ""
    prior_scale: float | None = None
    tau2_interval: Limits | None = None
    beside: Mapping[str, MetaRegressionResult] = field(default_factory=dict)

    def predict(self, row: Sequence[float]) -> tuple[float, Limits, Limits]:
        """Return estimate, interval of the mean and prediction interval at a row of the design (1 first)."""
        at = np.asarray(row, dtype=float)
        estimate, _, interval, _ = self.rule.tell(at)
        return estimate, interval, self.rule.in_a_new_centre(at, self.tau2)

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
            "inference": self.inference or None,
            "prior_scale": self.prior_scale,
            "tau2_interval": list(self.tau2_interval) if self.tau2_interval else None,
            "beside": {
                name: [
                    {"term": item.term, "estimate": item.estimate, "interval": list(item.interval)}
                    for item in other.coefficients
                ]
                for name, other in self.beside.items()
            },
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


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None
