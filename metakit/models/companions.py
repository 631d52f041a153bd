"""The same studies answered in other ways, to stand beside the headline.

None of them is chosen by the data: each stands there whatever it says.
"""

from __future__ import annotations

from metakit.core.beside import Companion
from metakit.core.effects import EffectTable
from metakit.core.limits import Limits
from metakit.models.estimators import MEAN_INTERVALS, PREDICTION_INTERVALS, TAU2_ESTIMATORS
from metakit.numerics.mean_intervals import wald
from metakit.numerics.posteriors.half_normal_effects import HalfNormalAnswers
from metakit.numerics.weights import Studies, prepare, weigh

TWICE_THE_SPREAD = "twice_the_spread"
MEAN_OF_CENTRES = "mean_of_centres"
FEWEST_FOR_HARTUNG_KNAPP = 3


def twice_the_spread(found: HalfNormalAnswers, row: int) -> Companion:
    """Return the answer with the prior of tau twice as wide, from a row of half-normal answers."""
    return Companion(
        name=TWICE_THE_SPREAD,
        label="the same with twice the spread between centres",
        estimate=float(found.median[row]),
        interval=Limits(float(found.lower[row]), float(found.upper[row])),
        prediction_interval=Limits(float(found.new_lower[row]), float(found.new_upper[row])),
        tau2=float(found.tau[row]) ** 2,
        references=("friede_2017",),
    )


def beside_normal(rows: EffectTable, level: float) -> tuple[Companion, ...]:
    """Return what stands beside every answer from effects and variances."""
    studies = prepare(rows.effect, rows.variance)
    return hartung_knapp(studies, level), common_effect(studies, level)


def hartung_knapp(studies: Studies, level: float) -> Companion:
    """Return the answer of the inference `hartung_knapp`: floored interval, prediction with its error."""
    label = "REML, Hartung-Knapp interval with a floor"
    references = ("rover_2015", "partlett_riley_2017")
    few = studies.effect.shape[-1] < FEWEST_FOR_HARTUNG_KNAPP
    between = TAU2_ESTIMATORS["reml"].kernel(studies)
    if not between.converged:
        return Companion(
            name="hartung_knapp",
            label=label,
            reason="the estimate of tau did not settle",
            references=references,
        )
    weights = weigh(studies, studies.fold(between.tau2))
    found = MEAN_INTERVALS["hartung_knapp_floor"].kernel(studies, weights, level)
    ahead = PREDICTION_INTERVALS["hartung_knapp_floor"].kernel(studies, weights, level)
    return Companion(
        name="hartung_knapp",
        label=label,
        estimate=float(found.estimate),
        interval=Limits(float(found.lower), float(found.upper)),
        prediction_interval=Limits(float(ahead.lower), float(ahead.upper)),
        tau2=float(between.tau2),
        reason="two studies have no headline by this inference" if few else "",
        references=references,
    )


def common_effect(studies: Studies, level: float) -> Companion:
    """Return the inverse-variance mean under one common effect, with Wald's interval."""
    found = wald(studies, weigh(studies, 0.0), level)
    return Companion(
        name="common_effect",
        label="one common effect, inverse variance",
        estimate=float(found.estimate),
        interval=Limits(float(found.lower), float(found.upper)),
        references=("handbook",),
    )
