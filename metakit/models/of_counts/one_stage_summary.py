"""The parts of a one-stage answer that do not depend on the variant."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypedDict

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.core.notes import Assumption, SetAside
from metakit.core.results import MeanInterval, Prediction, StudyRow
from metakit.measures.registry import MEASURES, Measure, Scale
from metakit.measures.tables import exact_intervals
from metakit.models.assembly import back_transform
from metakit.models.new_centre import few_ahead
from metakit.models.of_counts.one_stage_results import Average
from metakit.numerics.of_counts.one_stage_average import log_normal_average, logistic_normal_average


class SharedFields(TypedDict):
    """Fields of every result that come from the effect table."""

    measure: str
    level: float
    studies: tuple[StudyRow, ...]
    back_transform: Callable[[float], float]
    set_aside: tuple[SetAside, ...]
    assumptions: tuple[Assumption, ...]


def shared_fields(effects: EffectTable, level: float) -> SharedFields:
    """Return what every one-stage answer takes from the studies that entered."""
    measure = MEASURES[effects.measure]
    scale = measure.scale(effects.scale)
    return SharedFields(
        measure=effects.measure,
        level=level,
        studies=_study_rows(effects, measure, scale, level),
        back_transform=back_transform(effects),
        set_aside=effects.set_aside,
        assumptions=effects.assumptions,
    )


def _study_rows(effects: EffectTable, measure: Measure, scale: Scale, level: float) -> tuple[StudyRow, ...]:
    """One row a study: its exact interval where the measure has one, else the normal one."""
    if measure.exact_intervals:
        with np.errstate(divide="ignore"):
            lower, upper = (scale.from_natural(limit) for limit in exact_intervals(effects, level=level))
        known = np.ones(len(effects), dtype=bool)
    else:
        half = special.ndtri(0.5 + level / 2) * np.sqrt(effects.variance)
        lower, upper, known = effects.effect - half, effects.effect + half, effects.estimable
    return tuple(
        StudyRow(
            study=name,
            effect=float(effects.effect[row]) if effects.estimable[row] else None,
            variance=float(effects.variance[row]) if effects.estimable[row] else None,
            weight=None,
            interval=Limits(float(lower[row]), float(upper[row])) if known[row] else None,
        )
        for row, name in enumerate(effects.study)
    )


def ratio_test(value: float, value_without: float) -> TestStatistic:
    """Likelihood-ratio test of a variance that cannot be negative (half-and-half mixture)."""
    statistic = max(2.0 * (value - value_without), 0.0)
    p_value = 0.5 * float(special.chdtrc(1, statistic)) if statistic > 0 else 1.0
    return TestStatistic(value=statistic, df=1.0, p_value=p_value)


def prediction_of(
    estimate: float, mean: MeanInterval, tau2: float, k: int, level: float
) -> tuple[Prediction | None, str]:
    """Return the prediction interval, t with k - 2 degrees of freedom, or the reason for none."""
    if k < 3:
        return None, "With fewer than 3 studies there is no prediction interval."
    if tau2 == 0:
        return None, (
            "The estimate of tau is 0, its boundary: as far as these data can tell the studies do not "
            "differ, and no prediction interval is shown. Look at the upper limit of tau before calling "
            "them alike."
        )
    df = float(k - 2)
    half = float(special.stdtrit(df, 0.5 + level / 2)) * math.sqrt(tau2 + mean.standard_error**2)
    caution = " ".join(few_ahead(k))
    interval = Limits(estimate - half, estimate + half)
    return Prediction(method="higgins_thompson_spiegelhalter", interval=interval, df=df), caution


def average_of(
    effects: EffectTable, mean: float, spread: float, covariance: FloatArray, level: float
) -> tuple[Average, str]:
    """Return the population average of a proportion or rate with its interval, and the sentence on it.

    The interval is of the Wald kind, by the delta method on the analysis scale.
    """
    measure = MEASURES[effects.measure]
    scale, back = measure.scale(effects.scale), back_transform(effects)
    function = logistic_normal_average if scale.name == "logit" else log_normal_average
    value, by_mean, by_spread = (float(part[0]) for part in function(np.array([mean]), np.array([spread])))
    slopes = np.array([by_mean, by_spread if spread > 0 else 0.0])
    per_unit = value * (1.0 - value) if scale.name == "logit" else value
    error = math.sqrt(float(slopes @ covariance @ slopes)) / per_unit
    centre = float(scale.from_natural(np.asarray(value)))
    half = float(special.ndtri(0.5 + level / 2)) * error
    average = Average(estimate=value, interval=Limits(back(centre - half), back(centre + half)))
    factor, unit = measure.natural_factor, measure.unit
    text = (
        f"The pooled {measure.label} {factor * back(mean):.3g} {unit} is the median of the distribution of "
        f"studies; the population average over that distribution is {factor * value:.3g} {unit} "
        f"({100 * level:g} % interval {factor * average.interval.lower:.3g} to "
        f"{factor * average.interval.upper:.3g})."
    )
    return average, text
