"""One study alone: its own effect, and nothing pooled."""

from __future__ import annotations

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.results import Heterogeneity, Limits, MeanInterval, SingleStudyResult
from metakit.errors import NotEstimableError
from metakit.measures.registry import MEASURES
from metakit.measures.tables import exact_intervals
from metakit.models.assembly import all_set_aside, back_transform, null_value, study_rows, wald_interval
from metakit.models.registry import PoolOptions
from metakit.models.uncorrected import uncorrected


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
            f"estimate ({words}); show its counts, or ask for measure 'risk_difference' or a zero-cell "
            "correction"
        )
    note = f"One study carries information, {name}: its own effect is shown, nothing is pooled."
    return SingleStudyResult(
        measure=table.measure,
        level=options.level,
        studies=study_rows(only, np.ones(1), options.level),
        mean=mean,
        estimate=estimate,
        heterogeneity=Heterogeneity(),
        back_transform=back_transform(table),
        set_aside=all_set_aside(table.select(np.arange(len(table)) != row)),
        assumptions=table.assumptions,
        notes=(*table.notes, note),
        references=measure.references,
    )


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
