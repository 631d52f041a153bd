"""Results of pooling: one small frozen class a model, all sharing what every model gives.

All numbers are on the analysis scale (logs for ratios), fractions rather than percent. What a
model does not have is None, or empty words; `to_json` then writes null.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from metakit.core.beside import Companion, Posterior
from metakit.core.limits import Limits, TestStatistic, finite_or_none
from metakit.core.notes import Assumption, SetAside
from metakit.core.views import drawn, frame_of, said, tidy_of

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRow:
    """One study as it entered the model.

    `weight` is a fraction; the weights of all rows add up to 1. `interval` is the study's own
    interval at the result's level. A study that the model used but that has no effect of its own on
    this scale (no events at all, in a one-stage model) has `effect`, `variance` and `interval` None; one
    that answers alone by a limit has its interval, with one end infinite.
    `weight` is None where a model gives studies no weights (one-stage models).
    """

    study: str
    effect: float | None
    variance: float | None
    weight: float | None
    interval: Limits | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanInterval:
    """An interval for the mean by one method, with the test that belongs to it.

    `factor` is the multiplier of the variance that the method used (1 for Wald), `df` the degrees of
    freedom of its t quantile (infinite for the normal).
    """

    method: str
    standard_error: float
    interval: Limits
    statistic: float | None
    p_value: float | None
    df: float = math.inf
    factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Heterogeneity:
    """How much the studies differ. `tau2` is None for models without it.

    `i2` and `h2` follow from tau2 and the typical sampling variance; in a model without tau2 they follow
    from Q. `i2_from_q` is always the latter, with its test-based interval.
    """

    q: TestStatistic | None = None
    tau2: float | None = None
    tau2_interval: Limits | None = None
    tau2_interval_method: str = ""
    i2: float | None = None
    i2_interval: Limits | None = None
    h2: float | None = None
    i2_from_q: float | None = None
    i2_from_q_interval: Limits | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Where the effect in a new centre is expected: interval, method, degrees of freedom."""

    method: str
    interval: Limits
    df: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolResult:
    """What every pooling model answers.

    `back_transform` maps the analysis scale to natural units (exp for ratios); it is a function of the
    measure, not state of the model.

    `inference` names the rule that answered (an entry of INFERENCES; empty when a model was named),
    `likelihood` how the studies' numbers entered it (an entry of LIKELIHOODS): pass it on to analyses of a
    part of the same studies, so that it does not change with them. `beside` holds the same studies answered
    in other ways. `posterior` is there where the interval is a posterior one: every probability that is said
    of the answer comes from it. `prediction` is where a new centre's effect is expected, for models that
    have one; `tau2_estimator` names how the spread was estimated, empty where it was not; `limit_only` says
    which limit, "lower" or "upper", is the answer where all events are in one arm.
    """

    model: ClassVar[str] = ""

    measure: str
    level: float
    studies: tuple[StudyRow, ...]
    mean: MeanInterval
    estimate: float
    heterogeneity: Heterogeneity
    back_transform: Callable[[float], float]
    set_aside: tuple[SetAside, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    converged: bool = True
    inference: str = ""
    likelihood: str = ""
    beside: tuple[Companion, ...] = ()
    posterior: Posterior | None = None
    prediction: Prediction | None = None
    tau2_estimator: str = ""
    limit_only: str = ""

    @property
    def k(self) -> int:
        """Number of studies in the model."""
        return len(self.studies)

    @property
    def interval(self) -> Limits:
        """Interval for the mean at `level`, by the headline method."""
        return self.mean.interval

    @property
    def standard_error(self) -> float:
        """Standard error of the mean under the headline method."""
        return self.mean.standard_error

    @property
    def lone_limit(self) -> str:
        """Which limit can be shown, "lower" or "upper", where no finite estimate stands; else ""."""
        if self.limit_only or math.isfinite(self.estimate):
            return self.limit_only
        return "upper" if self.estimate < 0 else "lower"

    def details(self) -> Mapping[str, Any]:
        """Return what this model adds to the shared JSON answer."""
        return {}

    def to_json(self) -> dict[str, Any]:
        """Return the answer in the fixed form of the command line's `--json`; unknown is None."""
        back = self.back_transform
        het = self.heterogeneity
        prediction = self.prediction
        answer: dict[str, Any] = {
            "measure": self.measure,
            "model": self.model,
            "inference": self.inference or None,
            "likelihood": self.likelihood or None,
            "tau2_estimator": self.tau2_estimator or None,
            "interval_method": self.mean.method,
            "level": self.level,
            "k": self.k,
            "estimate": self.estimate,
            "standard_error": self.standard_error,
            "interval": list(self.interval),
            "statistic": self.mean.statistic,
            "p_value": self.mean.p_value,
            "prediction_interval": list(prediction.interval) if prediction else None,
            "tau2": het.tau2,
            "tau2_interval": list(het.tau2_interval) if het.tau2_interval else None,
            "i2": het.i2,
            "i2_interval": list(het.i2_interval) if het.i2_interval else None,
            "h2": het.h2,
            "q": het.q._asdict() if het.q else None,
            "back_transformed": {
                "estimate": back(self.estimate),
                "interval": [back(limit) for limit in self.interval],
                "prediction_interval": [back(limit) for limit in prediction.interval] if prediction else None,
            },
            "studies": [
                {
                    "study": row.study,
                    "effect": row.effect,
                    "variance": row.variance,
                    "weight": row.weight,
                    "interval": list(row.interval) if row.interval else None,
                }
                for row in self.studies
            ],
            "beside": [item.to_json() for item in self.beside],
            "set_aside": [{"study": item.study, "reason": item.reason} for item in self.set_aside],
            "assumptions": [str(item) for item in self.assumptions],
            "notes": list(self.notes),
            "converged": self.converged,
        }
        answer.update(self.details())
        return {key: finite_or_none(item) for key, item in answer.items()}

    def tidy(self) -> pd.DataFrame:
        """Return one row a study and one for the mean, on the analysis scale."""
        return tidy_of(self)

    def to_frame(self, *, natural: bool = False) -> pd.DataFrame:
        """Return a frame with the studies as index, then `Mean` and `New centre`.

        Parameters
        ----------
        natural : bool
            Estimates and limits in natural units (ratios, fractions) instead of the analysis scale; standard
            errors and tau2 stay on the analysis scale.

        Returns
        -------
        DataFrame
            Columns estimate, lower, upper, standard_error, weight, p_value, tau2; empty cells are NaN.
        """
        return frame_of(self, natural=natural)

    def summary(self) -> str:
        """Return the answer in words with every note."""
        return "\n".join([str(self), *self.notes])

    def forest(
        self,
        ax: Axes | None = None,
        *,
        order_by: str = "",
        backwards: bool = False,
        limits: tuple[float, float] | None = None,
        ticks: Sequence[float] = (),
        grey: bool = False,
    ) -> Axes:
        """Draw the studies, the mean and where a new centre is expected.

        For groups, columns and a journal's size see `EffectTable.forest`.

        Parameters
        ----------
        ax : matplotlib Axes, optional
            To draw on; its horizontal coordinate is the analysis scale. A figure of its own without it.
        order_by, backwards : str, bool
            weight, effect or name; "" for the order of the table; the other way round.
        limits, ticks : (float, float), sequence of float
            Ends and ticks of the axis in natural units.
        grey : bool
            Draw in greys.
        """
        axes: Axes = drawn(
            "forest_on_axes", self, ax, order_by=order_by, backwards=backwards, limits=limits,
            ticks=tuple(ticks), grey=grey,
        )  # fmt: skip
        return axes

    def funnel(self, ax: Axes | None = None) -> Axes:
        """Draw the effects against their standard errors; see `forest`."""
        axes: Axes = drawn("funnel_on_axes", self, ax)
        return axes

    def __str__(self) -> str:
        return said(self)

    def _repr_html_(self) -> str:
        import html

        return f"<p>{html.escape(str(self))}</p>" + self.tidy().to_html(index=False, escape=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleStudyResult(PoolResult):
    """One study: its own effect, nothing pooled."""

    model: ClassVar[str] = "single_study"


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonEffectResult(PoolResult):
    """Inverse-variance mean under one common effect."""

    model: ClassVar[str] = "common_effect"


@dataclass(frozen=True, slots=True, kw_only=True)
class StratifiedResult(PoolResult):
    """Mantel-Haenszel: stratified by study, without correction of zero cells."""

    model: ClassVar[str] = "mantel_haenszel"


@dataclass(frozen=True, slots=True, kw_only=True)
class PetoResult(StratifiedResult):
    """Peto's one-step odds ratio. The effects of its studies are Peto's, (O - E) / V."""

    model: ClassVar[str] = "peto"


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomEffectsResult(PoolResult):
    """Inverse-variance mean of effects that differ between studies.

    `other_intervals` holds the methods shown beside the headline; `truncated` says that the estimator
    hit zero; `likelihood_maxima` counts the local maxima of the (restricted) likelihood, 1 for estimators
    without one.
    """

    model: ClassVar[str] = "random_effects"

    tau2_estimator: str
    truncated: bool
    other_intervals: tuple[MeanInterval, ...] = ()
    likelihood_maxima: int = 1

    def details(self) -> Mapping[str, Any]:
        """Return the intervals beside the headline one, and what names the methods used."""
        found, ahead = self.heterogeneity, self.prediction
        return {
            "other_intervals": [
                {
                    "method": other.method,
                    "standard_error": other.standard_error,
                    "interval": list(other.interval),
                    "statistic": other.statistic,
                    "p_value": other.p_value,
                }
                for other in self.other_intervals
            ],
            "tau2_truncated": self.truncated,
            "tau2_interval_method": found.tau2_interval_method or None,
            "i2_from_q": found.i2_from_q,
            "i2_from_q_interval": list(found.i2_from_q_interval) if found.i2_from_q_interval else None,
            "prediction_method": ahead.method if ahead else None,
            "prediction_df": ahead.df if ahead else None,
            "likelihood_maxima": self.likelihood_maxima,
        }
