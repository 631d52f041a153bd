"""The sentences that a random-effects answer carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from metakit.core.results import Prediction
from metakit.models.estimators import PREDICTION_INTERVALS, MeanIntervalMethod, Tau2Estimator
from metakit.models.new_centre import few_ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomEffectsFacts:
    """What the sentences depend on."""

    k: int
    tau2: float
    truncated: bool
    maxima: int
    estimator: Tau2Estimator
    method: MeanIntervalMethod
    raw_factor: float
    standard_error: float
    tau2_interval_empty: bool
    tau2_interval_settled: bool
    prediction: Prediction | None
    prediction_options: Mapping[str, object]
    level: float


def words(facts: RandomEffectsFacts) -> list[str]:
    """Return the notes, the cautions first."""
    return [*_cautions(facts), *_interval_words(facts), *_spread_words(facts), *_prediction_words(facts)]


def _cautions(facts: RandomEffectsFacts) -> list[str]:
    if facts.k > 2:
        return []
    return [
        "Caution: two studies say next to nothing about how effects differ between centres. A random-effects "
        "mean of two is shown because it was asked for; look at the two studies, the common effect and a "
        "Bayesian analysis with a stated prior."
    ]


def _interval_words(facts: RandomEffectsFacts) -> list[str]:
    notes = []
    method, factor = facts.method, facts.raw_factor
    if method.name == "hartung_knapp_floor" and factor < 1:
        # Only without any estimated spread does a factor below 1 say that studies agree closely.
        why = (
            f"the studies agree more closely than their standard errors suggest (Hartung-Knapp variance "
            f"factor {factor:.3g}). It"
            if facts.tau2 == 0
            else f"the Hartung-Knapp variance factor is {factor:.3g}, below 1. It"
        )
        notes.append(
            f"Floor active: {why} was raised to 1, so that the interval is not narrower than the t interval; "
            "it can be very wide with few studies. Plain Hartung-Knapp and Wald stand beside it."
        )
    if method.name == "hartung_knapp" and factor < 1:
        notes.append(
            f"Caution: the Hartung-Knapp variance factor is {factor:.3g}, below 1: the interval can be "
            "narrower than Wald's because the effects agree by chance. Hartung-Knapp with a floor guards "
            "against it."
        )
    if facts.standard_error == 0:
        notes.append("All effects are equal: the standard error of this method is 0 and there is no test.")
    if method.own_tau2 and method.own_tau2 != facts.estimator.name:
        notes.append(
            f"The interval {method.name} is built on {method.own_tau2}; the tau2 shown is that of "
            f"{facts.estimator.name}."
        )
    if method.common_weights:
        notes.append(
            "The mean of this interval has common-effect weights; the intervals beside it belong to the "
            "random-effects mean."
        )
    return notes


def _spread_words(facts: RandomEffectsFacts) -> list[str]:
    notes = []
    if facts.truncated:
        notes.append(
            f"The estimate of tau2 ({facts.estimator.name}) was cut off at 0. That is no proof that the "
            "studies do not differ: look at the upper limit of tau."
        )
    if facts.maxima > 1:
        notes.append(
            f"The likelihood has {facts.maxima} local maxima; tau2 is at the highest. One or two studies "
            "pull in another direction than the rest: look at leave-one-out."
        )
    if facts.tau2_interval_empty:
        notes.append(
            f"The effects agree so closely that no tau2 is compatible with them at {100 * facts.level:g} %: "
            "its interval is shown as 0 to 0."
        )
    if not facts.tau2_interval_settled:
        notes.append("The interval for tau2 could not be found numerically and is left out.")
    return notes


def _prediction_words(facts: RandomEffectsFacts) -> list[str]:
    ahead = facts.prediction
    if ahead is None:
        return ["No prediction interval: it needs at least three studies."]
    if ahead.method == "bootstrap":
        settings = ", ".join(f"{name} {value}" for name, value in facts.prediction_options.items())
        notes = ["Prediction interval by parametric bootstrap" + (f" ({settings})." if settings else ".")]
    else:
        notes = [f"Prediction interval: {PREDICTION_INTERVALS[ahead.method].label}, here {ahead.df:g}."]
    notes += few_ahead(facts.k)
    return notes
