"""A pooled answer in words for terminal and file: its sentence, and its numbers alike in a column."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from metakit.core.limits import Limits
from metakit.core.results import PoolResult
from metakit.core.written import count, decimals_for, on_axis, p_value, shares
from metakit.measures.natural import natural_of_result
from metakit.measures.registry import MEASURES
from metakit.models.new_centre import few_ahead
from metakit.models.registry import MODELS
from metakit.telling.result_words import method_words, spread_words

Say = Callable[[float], str]
"""Writes a value of the analysis scale in natural units."""


def sayer(result: PoolResult) -> Say:
    """Return what writes every number of an answer: the decimals of its figure, so that columns are alike."""
    natural = natural_of_result(result)
    factor = 100 if natural.axis == "percent" else 1
    rows = [row.interval for row in result.studies if row.interval is not None]
    widths = [
        natural.value(limits.upper) - natural.value(limits.lower) for limits in (*rows, result.interval)
    ]
    decimals = decimals_for(factor * abs(width) for width in widths)
    if natural.axis == "percent":
        decimals = max(decimals, 1)
    return lambda value: on_axis(natural.value(value), natural.axis, decimals)


def said_limits(limits: Limits, say: Say) -> str:
    """Write limits as 'lower to upper'."""
    return f"{say(limits.lower)} to {say(limits.upper)}"


def said_weights(result: PoolResult) -> tuple[str, ...]:
    """Return the weight of each study in percent, adding up to 100.0 as in its figure; "" without one."""
    carriers = [row.weight for row in result.studies if row.weight is not None]
    if not carriers or not math.isclose(math.fsum(carriers), 1.0, abs_tol=1e-6):
        return ("",) * len(result.studies)
    texts = iter(shares(carriers))
    return tuple(next(texts) if row.weight is not None else "" for row in result.studies)


def what_is_pooled(result: PoolResult) -> str:
    """Return the measure with its unit, beginning with a capital: 'Risk difference (percentage points)'."""
    natural = natural_of_result(result)
    unit = natural.unit or ("%" if natural.axis == "percent" else "")
    return natural.heading + (f" ({unit})" if unit and unit not in natural.heading else "")


def how_sure(result: PoolResult) -> str:
    """Say the p value of the mean, or how likely its posterior lies on either side of no difference."""
    null = MEASURES[result.measure].null_value
    if result.mean.p_value is not None:
        return f"Test of no difference, of the mean: {p_value(result.mean.p_value)}"
    if null is None or result.posterior is None:
        return ""
    below = float(result.posterior.below(np.asarray(null)))
    natural = natural_of_result(result)
    told = f"{natural.null:g}" if natural.null is not None else "no difference"
    return (
        f"Probability that the mean lies below {told}: {below:.3f}, above: {1 - below:.3f} (of the posterior "
        "that the interval comes from; it stands in place of a p value)"
    )


def pooled_sentence(result: PoolResult) -> str:
    """Say the answer in sentences ready to paste: estimate, interval, a new centre, how studies differ."""
    natural, say = natural_of_result(result), sayer(result)
    level = f"{100 * result.level:g} %"
    model = MODELS[result.model].label if result.model in MODELS else method_words(result.model)
    model = model[:1].lower() + model[1:] if model.startswith(("Random", "Common", "One")) else model
    only = result.limit_only
    if only:
        limit = say(getattr(result.interval, only))
        told = (
            f"{what_is_pooled(result)}: {'at most' if only == 'upper' else 'at least'} {limit}, no estimate"
        )
    else:
        told = (
            f"{what_is_pooled(result)} {say(result.estimate)} ({level} interval "
            f"{said_limits(result.interval, say)}; {count(result.k, 'study', 'studies')}; {model})"
        )
    sentences = [f"{told}."]
    if result.prediction is not None:
        sentences.append(
            f"In a new centre {said_limits(result.prediction.interval, say)} ({level} prediction interval)."
        )
        sentences += [text for text in few_ahead(result.k) if text not in result.notes]
    sure = how_sure(result)
    sentences += [f"{sure}."] if sure and not only else []
    return " ".join([*sentences, spread_words(result, natural.scale.name)]).strip()
