"""A pooled result as plain text for the terminal, in natural units."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from metakit.core.beside import Companion
    from metakit.core.limits import Limits
    from metakit.core.registry import Registry
    from metakit.core.results import PoolResult
    from metakit.measures.registry import Measure
    from metakit.models.new_centre import BeyondThreshold

_DIGITS = 3


def pooled_text(result: PoolResult) -> str:
    """Say the answer, how much studies differ, every study, and all that was set aside or assumed."""
    from metakit.core.written import p_value
    from metakit.measures.registry import MEASURES
    from metakit.models.coverage import coverage_cautions
    from metakit.models.estimators import MEAN_INTERVALS
    from metakit.models.registry import MODELS

    measure = MEASURES[result.measure]
    show = _shower(measure, result.back_transform)
    percent = f"{100 * result.level:g} %"
    lines = [
        f"{_sentence_case(measure.label)}{f' ({measure.unit})' if measure.unit else ''}: "
        f"{show(result.estimate)}, {percent} interval {_limits(result.interval, show)} "
        f"({_label(MEAN_INTERVALS, result.mean.method)})",
        f"{_sentence_case(_label(MODELS, result.model))}; "
        f"{result.k} {'study' if result.k == 1 else 'studies'}",
    ]
    prediction = result.prediction
    if prediction:
        lines.append(f"In a new centre: {_limits(prediction.interval, show)} ({percent} prediction interval)")
    lines += _difference_lines(result, percent)
    if result.mean.p_value is not None:
        lines.append(f"p of no difference {p_value(result.mean.p_value)}")
    lines += ["", *_study_lines(result, show)]
    cautions = coverage_cautions(result.likelihood, result.k) if result.inference == "half_normal" else ()
    for title, items in (
        ("Beside it, the same studies by", [_companion(item, show) for item in result.beside]),
        ("Cautions", list(cautions)),
        ("Set aside", [f"{item.study}: {item.reason}" for item in result.set_aside]),
        ("Assumed", [str(item) for item in result.assumptions]),
        ("Notes", list(result.notes)),
    ):
        if items:
            lines += ["", title, *(f"  {item}" for item in items)]
    return "\n".join(lines)


def _companion(item: Companion, show: Callable[[float], str]) -> str:
    """Write what stands beside the headline, or why it does not."""
    if item.interval is None:
        return f"{item.label}: {item.reason}"
    value = "no point estimate" if item.estimate is None else show(item.estimate)
    text = f"{item.label}: {value} ({_limits(item.interval, show)})"
    if item.prediction_interval is not None:
        text += f"; in a new centre {_limits(item.prediction_interval, show)}"
    return text


def threshold_text(beyond: BeyondThreshold, threshold: float) -> str:
    """Say how likely an effect beyond a threshold is, the threshold in natural units."""
    told = [f"In a new centre the effect lies {beyond.side} {threshold:g} with probability"]
    told.append(f"{beyond.probability:.2f}")
    text = " ".join(told)
    if beyond.mean is not None:
        text += f"; the mean over centres with probability {beyond.mean:.2f}"
    return f"{text}."


def _shower(measure: Measure, back: Callable[[float], float]) -> Callable[[float], str]:
    def show(value: float) -> str:
        return f"{back(value) * measure.natural_factor:.{_DIGITS}g}"

    return show


def _limits(limits: Limits, show: Callable[[float], str]) -> str:
    return f"{show(limits.lower)} to {show(limits.upper)}"


def _difference_lines(result: PoolResult, percent: str) -> list[str]:
    """Tau first, I2 last: I2 does not say how much effects vary."""
    found = result.heterogeneity
    lines = []
    if found.tau2 is not None:
        text = f"Studies differ by tau {found.tau2**0.5:.3g} on the analysis scale"
        if found.tau2_interval:
            low, high = (limit**0.5 for limit in found.tau2_interval)
            text += f" ({percent} interval {low:.3g} to {high:.3g})"
        lines.append(text)
    if found.q:
        text = f"Q {found.q.value:.4g} on {found.q.df:g} degrees of freedom, p {_p_value(found.q.p_value)}"
        if found.i2 is not None:
            text += f"; I\u00b2 {100 * found.i2:.0f} %"
        lines.append(text)
    return lines


def _study_lines(result: PoolResult, show: Callable[[float], str]) -> list[str]:
    width = min(max(len(row.study) for row in result.studies), 40)
    lines = []
    for row in result.studies:
        name = row.study if len(row.study) <= width else row.study[: width - 1] + "\u2026"
        effect = "no effect of its own" if row.effect is None else f"{show(row.effect):>8}"
        limits = f"  {_limits(row.interval, show):<22}" if row.interval else ""
        weight = "" if row.weight is None else f"  {100 * row.weight:5.1f} % of the weight"
        lines.append(f"  {name:<{width}}  {effect}{limits}{weight}".rstrip())
    return lines


def _label(registry: Registry[Any], name: str) -> str:
    """Name a method as its registry does; a method of a single model's own is named by its words."""
    return str(registry[name].label) if name in registry else name.replace("_", " ")


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


def _p_value(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"{value:.3f}"
