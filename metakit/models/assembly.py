"""The parts that results of inverse-variance and stratified models share."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.core.notes import SetAside
from metakit.core.results import Heterogeneity, MeanInterval, StudyRow
from metakit.measures.double_arcsine import harmonic_mean
from metakit.measures.registry import MEASURES, Scale
from metakit.numerics.distributions import normal_quantile
from metakit.numerics.heterogeneity import CochranQ, ratios_from_q


def back_transform(table: EffectTable) -> Callable[[float], float]:
    """Return the way from the table's analysis scale to natural units, for pooled values."""
    scale = MEASURES[table.measure].scale(table.scale)
    size = None if scale.at_size is None else harmonic_mean(table.data["total"][table.estimable])
    return partial(_to_natural, scale, size)


def _to_natural(scale: Scale, size: float | None, value: float) -> float:
    values = np.asarray(value, dtype=float)
    if scale.at_size is None or size is None:
        return float(scale.to_natural(values))
    return float(scale.at_size(values, np.asarray(size)))


def null_value(table: EffectTable) -> float | None:
    """Return "no difference" on the analysis scale, None for a measure without it."""
    return MEASURES[table.measure].null_value


def mean_interval(
    method: str,
    *,
    estimate: float,
    standard_error: float,
    interval: Limits,
    null: float | None,
    df: float = math.inf,
    factor: float = 1.0,
) -> MeanInterval:
    """Return an interval for the mean with the test of no difference that belongs to it."""
    statistic = p_value = None
    if null is not None and standard_error > 0:
        statistic = (estimate - null) / standard_error
        tail = special.ndtr(-abs(statistic)) if math.isinf(df) else special.stdtr(df, -abs(statistic))
        p_value = float(2 * tail) if df >= 1 else None
    return MeanInterval(
        method=method,
        standard_error=standard_error,
        interval=interval,
        statistic=statistic,
        p_value=p_value,
        df=df,
        factor=factor,
    )


def wald_interval(estimate: float, standard_error: float, level: float, null: float | None) -> MeanInterval:
    """Return the interval of the normal distribution."""
    half = normal_quantile(level) * standard_error
    limits = Limits(estimate - half, estimate + half)
    return mean_interval("wald", estimate=estimate, standard_error=standard_error, interval=limits, null=null)


def study_rows(table: EffectTable, weights: FloatArray, level: float) -> tuple[StudyRow, ...]:
    """Return one row a study with its own normal interval; None for a study without an effect of its own."""
    half = normal_quantile(level) * np.sqrt(np.where(table.estimable, table.variance, 0.0))
    columns = (
        np.asarray(column).tolist()
        for column in (table.effect, table.variance, table.estimable, half, weights)
    )
    rows = []
    for name, effect, variance, known, reach, weight in zip(table.study, *columns, strict=True):
        own = _own(effect, variance, reach) if known else (None, None, None)
        rows.append(StudyRow(study=name, effect=own[0], variance=own[1], weight=weight, interval=own[2]))
    return tuple(rows)


def _own(effect: float, variance: float, reach: float) -> tuple[float, float, Limits]:
    # 0.0 and -0.0 are one key and two numbers.
    return (
        _shared(effect, variance, reach)
        if effect
        else (effect, variance, Limits(effect - reach, effect + reach))
    )


@lru_cache(maxsize=1 << 14)
def _shared(effect: float, variance: float, reach: float) -> tuple[float, float, Limits]:
    """Return a study's own numbers, the same objects for each of the hundreds of answers that it is in."""
    return effect, variance, Limits(effect - reach, effect + reach)


def heterogeneity_from_q(q: CochranQ, level: float) -> Heterogeneity:
    """Return Q with the ratios that follow from it, for models without tau2."""
    ratios = ratios_from_q(q.value, q.df, level)
    exists = float(q.df) > 1
    interval = Limits(float(ratios.i2_lower), float(ratios.i2_upper)) if exists else None
    return Heterogeneity(
        q=TestStatistic(float(q.value), float(q.df), float(q.p_value)),
        i2=float(ratios.i2),
        i2_interval=interval,
        h2=float(ratios.h * ratios.h),
        i2_from_q=float(ratios.i2),
        i2_from_q_interval=interval,
    )


def all_set_aside(table: EffectTable) -> tuple[SetAside, ...]:
    """Return the table's list, completed by every study without an effect that the list does not name."""
    named = Counter(item.study for item in table.set_aside)
    missing = []
    for name in (table.study[row] for row in np.flatnonzero(~table.estimable)):
        if named[name]:
            named[name] -= 1
        else:
            missing.append(SetAside(study=name, reason="no effect of its own on this measure"))
    return (*table.set_aside, *missing)


def listed(items: tuple[SetAside, ...]) -> str:
    """Return studies set aside with their reasons in one line."""
    return "; ".join(f"{item.study}: {item.reason}" for item in items)
