"""Where the effect in one more centre, the unit itself, is expected: what expected events are computed from.

The interval of the mean says where the average centre lies; a unit is one centre. An answer with a posterior
has a posterior predictive, which is taken; where another has a
prediction interval, its distribution is taken. Where it has none (one or two studies, a model without tau),
the distribution of the mean is widened by a spread between centres drawn from the half-normal priors that
Röver et al. (2021) propose, and every place that shows such a range says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special
from scipy.interpolate import PchipInterpolator

from metakit.core.beside import Posterior
from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.decision.information import typical_sd
from metakit.decision.one_unit.expected import stratified
from metakit.errors import NotEstimableError
from metakit.measures.registry import MEASURES, Measure
from metakit.models.posteriors.bayesian_priors import LEVEL_SCALE, LOG_RATIO_SCALE, UNIT_INFORMATION_SHARE
from metakit.synthesis.confidence import Basis, ConfidenceDistribution, EffectDistribution
from metakit.synthesis.findings import AnalysisFinding

FEWEST_FOR_PREDICTION = 3
_MEAN_NODES, _TAU_NODES = 400, 64
_FAR_SCORE, _SCORES, _FEW = 5.0, 101, 16
WIDE_DF = 2.0
"""With so few degrees of freedom a prediction interval hardly says more than that centres differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictiveDistribution:
    """The posterior predictive of a new centre, behind the prediction interval of an answer.

    Shares are those of the posterior. Draws need quantiles by the thousand: between `scores`, the normal
    scores of `values`, they are interpolated (monotone cubic); limits are not.
    """

    centre: float
    posterior: Posterior
    scores: tuple[float, ...]
    values: tuple[float, ...]
    basis: Basis = "posterior"

    @classmethod
    def of(cls, posterior: Posterior) -> PredictiveDistribution:
        """Tabulate a posterior predictive."""
        scores = np.linspace(-_FAR_SCORE, _FAR_SCORE, _SCORES)
        values = posterior.quantile(special.ndtr(scores), new_centre=True)
        return cls(
            centre=float(values[_SCORES // 2]),
            posterior=posterior,
            scores=tuple(map(float, scores)),
            values=tuple(map(float, values)),
        )

    def below(self, value: ArrayLike) -> FloatArray:
        """Return the probability below a value."""
        return self.posterior.below(value, new_centre=True)

    def quantile(self, share: ArrayLike) -> FloatArray:
        """Return the value with this probability below it."""
        part = np.asarray(share, dtype=float)
        if part.size <= _FEW:
            return self.posterior.quantile(part, new_centre=True)
        score = np.clip(special.ndtri(part), -_FAR_SCORE, _FAR_SCORE)
        return np.asarray(PchipInterpolator(self.scores, self.values)(score), dtype=float)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCentre:
    """The effect in a new centre, on the analysis scale.

    `distribution` is that behind the prediction interval, or, with `tau_scale` above 0, that of the mean, to
    be widened by a tau drawn from a half-normal distribution of this scale. `note` says which, in words.
    """

    estimate: float
    distribution: EffectDistribution
    tau_scale: float
    level: float
    note: str

    @property
    def predicted(self) -> bool:
        """Whether it rests on a prediction interval of the analysis."""
        return self.tau_scale == 0

    def draw(self, random: np.random.Generator, size: int) -> FloatArray:
        """Return draws of the effect in a new centre."""
        found = self.distribution.quantile(stratified(random, size))
        if self.tau_scale > 0:
            tau = np.abs(random.standard_normal(size)) * self.tau_scale
            found = found + tau * random.standard_normal(size)
        return np.asarray(found, dtype=float)

    def below(self, value: float) -> float:
        """Return the share of new centres whose effect lies below a value; numerically, without chance."""
        if self.tau_scale == 0:
            return float(self.distribution.below(value))
        means = self.distribution.quantile(_midpoints(_MEAN_NODES))
        taus = self.tau_scale * special.ndtri(0.5 + _midpoints(_TAU_NODES) / 2)
        return float(np.mean(special.ndtr((value - means[:, None]) / taus)))

    def limits(self) -> Limits:
        """Return the limits of the effect in a new centre."""
        from scipy.optimize import brentq

        tails = ((1 - self.level) / 2, (1 + self.level) / 2)
        if self.tau_scale == 0:
            low, high = self.distribution.quantile(np.array(tails))
            return Limits(float(low), float(high))
        middle, reach = self.distribution.centre, 4 * self.tau_scale
        ends = self.distribution.quantile(np.array([1e-4, 1 - 1e-4])) + np.array([-reach, reach])
        found = [
            # A side without a limit stays without one.
            float(brentq(lambda value, share=share: self.below(value) - share, *sorted((end, middle))))
            if math.isfinite(end)
            else float(end)
            for share, end in zip(tails, ends, strict=True)
        ]
        return Limits(*found)


def _midpoints(size: int) -> FloatArray:
    return np.asarray((np.arange(size) + 0.5) / size)


def new_centre(finding: AnalysisFinding) -> NewCentre:
    """Return the effect in a new centre of an answered analysis.

    Raises
    ------
    ValueError
        When the analysis has no answer.
    NotEstimableError
        Without a prediction interval on a scale for which no spread between centres can be assumed.
    """
    result = finding.result
    if result is None:
        raise ValueError("an analysis without an answer says nothing about a new centre")
    measure = MEASURES[finding.plan.measure]
    ahead = result.prediction
    if result.posterior is not None and ahead is not None:
        return NewCentre(
            estimate=result.estimate,
            distribution=PredictiveDistribution.of(result.posterior),
            tau_scale=0.0,
            level=result.level,
            note=f"{100 * result.level:g} % prediction interval of {result.k} studies, from the posterior "
            "of the answer",
        )
    if ahead is not None and all(map(math.isfinite, ahead.interval)):
        low, high = ahead.interval
        note = f"{100 * result.level:g} % prediction interval of {result.k} studies"
        if ahead.df <= WIDE_DF:
            note += "; so few studies that it is hardly more than a reminder that centres differ"
        return NewCentre(
            estimate=result.estimate,
            distribution=ConfidenceDistribution.from_interval(
                result.estimate, low, high, level=result.level, df=ahead.df
            ),
            tau_scale=0.0,
            level=result.level,
            note=note,
        )
    scale, what = _tau_scale(measure, finding)
    why = (
        f"{result.k} {'study has' if result.k == 1 else 'studies have'} no prediction interval"
        if result.k < FEWEST_FOR_PREDICTION
        else "the model of this analysis gives no prediction interval"
    )
    return NewCentre(
        estimate=result.estimate,
        distribution=ConfidenceDistribution.of(result),
        tau_scale=scale,
        level=result.level,
        note=f"{why}; the interval of the mean was widened by an assumed spread between centres "
        f"(half-normal, scale {scale:.2g} {what}; Röver 2021)",
    )


def _tau_scale(measure: Measure, finding: AnalysisFinding) -> tuple[float, str]:
    """Return the scale of the half-normal distribution of tau: the defaults of the Bayesian model."""
    if measure.name == "mean_difference":
        sd = typical_sd(finding.numbers)
        # The unit-information standard deviation of a difference of two equal arms is twice that of a thumb.
        return UNIT_INFORMATION_SHARE * 2 * (sd or 0.0), finding.term.unit
    if measure.name == "risk_difference":
        sides = [side.numbers for study in finding.numbers for side in study.sides]
        risk = (sum(row["events"] for row in sides) + 0.5) / (sum(row["total"] for row in sides) + 1)
        return UNIT_INFORMATION_SHARE * 2 * math.sqrt(risk * (1 - risk)), "as a fraction"
    scale = measure.scale(finding.plan.scale)
    if measure.comparative and scale.axis == "log":
        return LOG_RATIO_SCALE, "on the log scale"
    if scale.name in ("log", "logit"):
        return LEVEL_SCALE, f"on the {scale.name} scale"
    raise NotEstimableError(
        f"a {measure.label.lower()} on the {scale.name} scale without a prediction interval: no published "
        "spread between centres is known for this scale; ask for the analysis on a log or logit scale"
    )
