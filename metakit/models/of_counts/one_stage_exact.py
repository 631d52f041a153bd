"""Exact answers where there is nothing to model: one study, no event at all, nothing but events."""

from __future__ import annotations

import math

import numpy as np

from metakit.core.limits import Limits
from metakit.core.results import Heterogeneity, MeanInterval
from metakit.measures.exact_intervals import clopper_pearson, exact_poisson
from metakit.measures.registry import MEASURES
from metakit.models.of_counts.one_stage_data import CountData
from metakit.models.of_counts.one_stage_results import ExactResult
from metakit.models.of_counts.one_stage_summary import shared_fields
from metakit.models.registry import PoolOptions


def exact_result(data: CountData, options: PoolOptions) -> ExactResult:
    """Return the proportion or rate of all studies taken together, with its exact interval.

    With no event in any study the interval is one-sided: all of the error is on the open side, so that
    the upper limit for 0 of n at level 0.95 is 1 - 0.05 ** (1 / n).
    """
    measure = MEASURES[data.effects.measure]
    scale = measure.scale(data.effects.scale)
    events, size = (float(column.sum()) for column in data.columns)
    is_share = measure.name == "proportion"
    one_sided = events == 0 or (is_share and events == size)
    level = 2 * options.level - 1 if one_sided else options.level
    exact = clopper_pearson if is_share else exact_poisson
    # A one-sided limit at level L is the end of a two-sided interval at level 2 L - 1.
    lower, upper = exact(np.asarray(events), np.asarray(size), level)
    with np.errstate(divide="ignore"):
        on_scale = scale.from_natural(np.array([lower, upper, events / size]))
    estimate = float(on_scale[2])
    variance = 1.0 / events + 1.0 / (size - events) if is_share and not one_sided else math.inf
    if not is_share and events > 0:
        variance = 1.0 / events
    method = "clopper_pearson" if is_share else "exact_poisson"
    mean = MeanInterval(
        method=f"{method}_one_sided" if one_sided else method,
        standard_error=math.sqrt(variance),
        interval=Limits(float(on_scale[0]), float(on_scale[1])),
        statistic=None,
        p_value=None,
    )
    k = len(data.effects)
    return ExactResult(
        **shared_fields(data.effects, options.level),
        mean=mean,
        estimate=estimate,
        heterogeneity=Heterogeneity(),
        notes=(*data.effects.notes, *data.notes, *_words(data, options, one_sided, k)),
        references=(*measure.references,),
        events=events,
        total=size,
    )


def _words(data: CountData, options: PoolOptions, one_sided: bool, k: int) -> list[str]:
    measure = MEASURES[data.effects.measure]
    events, size = (float(column.sum()) for column in data.columns)
    notes = []
    if k == 1:
        notes.append("One study: its own value with its exact interval; nothing is pooled.")
    if one_sided:
        what = "No event" if events == 0 else "Nothing but events"
        where = "in the study" if k == 1 else f"in any of the {k} studies"
        if events > 0:
            where = where.replace("any", "all")
        over = "of" if measure.name == "proportion" else "over"
        notes.append(
            f"{what} {where} ({events:g} {over} {size:g}): no model of the differences between studies can "
            f"be fitted. The limit is exact and one-sided at {100 * options.level:g} %, for the average of "
            "the studies weighted by their size; 'no event seen' is not 'no event possible'."
        )
    return notes
