"""One study alone: its own effect, and nothing pooled.

References
----------
Miettinen & Nurminen (1985) for score intervals; Berry & Armitage (1995) for exact ones with mid-p.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.limits import Limits
from metakit.core.results import Heterogeneity, MeanInterval, SingleStudyResult, StudyRow
from metakit.errors import NotEstimableError
from metakit.measures.registry import MEASURES
from metakit.measures.tables import exact_intervals
from metakit.models import own_intervals
from metakit.models.assembly import all_set_aside, back_transform, null_value, wald_interval
from metakit.models.of_counts.uncorrected import uncorrected
from metakit.models.registry import PoolOptions
from metakit.numerics.distributions import normal_quantile


def single_study(table: EffectTable, row: int, options: PoolOptions) -> SingleStudyResult:
    """Return the effect of the one study that carries information, with its own interval.

    A proportion or rate gets its exact interval, and no zero cell is corrected for it.

    Raises
    ------
    NotEstimableError
        When that study has no finite effect on this measure.
    """
    measure = MEASURES[table.measure]
    exact = bool(measure.exact_intervals) and set(measure.columns) <= set(table.data)
    if exact:
        table = uncorrected(table)
    only = table.select(np.arange(len(table)) == row)
    name = only.study[0]
    if exact:
        estimate, mean = _exact(only, options.level)
    elif only.estimable[0]:
        estimate = float(only.effect[0])
        mean = wald_interval(estimate, float(only.variance[0]) ** 0.5, options.level, null_value(table))
    else:
        words = {item.study: item.reason for item in table.set_aside}.get(name, "no effect of its own")
        raise NotEstimableError(
            f"only one study, {name}, carries information on the {measure.label}, and it has no finite "
            f"estimate ({words}); show its counts, or ask for the risk difference (measure "
            "'risk_difference') or a zero-cell correction"
        )
    note = f"One study carries information, {name}: its own effect is shown, nothing is pooled."
    return SingleStudyResult(
        measure=table.measure,
        level=options.level,
        studies=(_row_of(only, estimate, mean.interval),),
        mean=mean,
        estimate=estimate,
        heterogeneity=Heterogeneity(),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table.select(np.arange(len(table)) != row)),
        assumptions=table.assumptions,
        notes=(*table.notes, note),
        references=measure.references,
    )


Own = Callable[[float, float, float, float, float], Limits]
_OWN: Mapping[str, tuple[str, Own, str]] = MappingProxyType(
    {
        "risk_ratio": ("score", own_intervals.score_ratio, "miettinen_nurminen_1985"),
        "risk_difference": ("score", own_intervals.score_difference, "miettinen_nurminen_1985"),
        "odds_ratio": ("exact_mid_p", own_intervals.mid_p_odds_ratio, "berry_armitage_1995"),
        "rate_ratio": ("exact_mid_p", own_intervals.mid_p_rate_ratio, "berry_armitage_1995"),
    }
)


def own_interval(table: EffectTable, row: int, options: PoolOptions) -> SingleStudyResult:
    """Return the one study that carries information with the exact or score interval of its own counts.

    Without counts of two arms this is `single_study`. Where an arm has no event the study has no point
    estimate on a ratio: its limit stands alone (the estimate is infinite on the log scale).
    """
    measure = MEASURES[table.measure]
    if table.measure not in _OWN or not set(measure.columns) <= set(table.data):
        return single_study(table, row, options)
    method, limits, reference = _OWN[table.measure]
    table = uncorrected(table)
    only = table.select(np.arange(len(table)) == row)
    a, n1, c, n2 = (float(only.data[name][0]) for name in measure.columns)
    interval = limits(a, n1, c, n2, options.level)
    natural = {
        "risk_difference": a / n1 - c / n2,
        "odds_ratio": _log_of(a * (n2 - c), c * (n1 - a)),
    }
    estimate = natural.get(table.measure, _log_of(a * n2, c * n1))
    half = (interval.upper - interval.lower) / (2 * normal_quantile(options.level))
    error = float(only.variance[0]) ** 0.5 if only.estimable[0] else half
    note = f"One study carries information, {only.study[0]}: its own effect is shown, nothing is pooled."
    if not math.isfinite(estimate):
        note += " One of its arms has no event (or nothing but events): there is a limit, but no estimate."
    return SingleStudyResult(
        measure=table.measure,
        level=options.level,
        studies=(_row_of(only, estimate, interval),),
        mean=MeanInterval(
            method=method, standard_error=error, interval=interval, statistic=None, p_value=None
        ),
        estimate=estimate,
        heterogeneity=Heterogeneity(),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table.select(np.arange(len(table)) != row)),
        assumptions=table.assumptions,
        notes=(*table.notes, note),
        references=(*measure.references, reference),
        limit_only="" if math.isfinite(estimate) else "upper" if estimate < 0 else "lower",
    )


def _row_of(only: EffectTable, estimate: float, interval: Limits) -> StudyRow:
    """Return the row of the study: the answer's own numbers, so that nobody reads two of one study."""
    known = bool(only.estimable[0])
    return StudyRow(
        study=only.study[0],
        effect=estimate if math.isfinite(estimate) else None,
        variance=float(only.variance[0]) if known else None,
        weight=1.0,
        interval=interval,
    )


def _log_of(numerator: float, denominator: float) -> float:
    if numerator == 0:
        return -math.inf
    return math.log(numerator / denominator) if denominator else math.inf


def _exact(only: EffectTable, level: float) -> tuple[float, MeanInterval]:
    """Return the crude value of a proportion or rate and its exact interval, on the analysis scale."""
    measure = MEASURES[only.measure]
    scale = measure.scale(only.scale)
    method = next(iter(measure.exact_intervals))
    lower, upper = exact_intervals(only, method=method, level=level)
    events, size = (float(only.data[column][0]) for column in measure.columns)
    with np.errstate(divide="ignore"):
        estimate, low, high = (
            float(value) for value in scale.from_natural(np.array([events / size, lower[0], upper[0]]))
        )
    error = float(only.variance[0]) ** 0.5 if only.estimable[0] else float("inf")
    mean = MeanInterval(
        method=method, standard_error=error, interval=Limits(low, high), statistic=None, p_value=None
    )
    return estimate, mean
