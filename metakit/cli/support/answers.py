"""A pooled result as plain text for the terminal, in natural units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from metakit.core.beside import Companion
    from metakit.core.registry import Registry
    from metakit.core.results import PoolResult
    from metakit.models.new_centre import BeyondThreshold


def pooled_text(result: PoolResult) -> str:
    """Say the answer, how much studies differ, every study, and all that was set aside or assumed."""
    from metakit.measures.natural import natural_of_result
    from metakit.models.coverage import coverage_cautions
    from metakit.models.estimators import MEAN_INTERVALS
    from metakit.models.new_centre import few_ahead
    from metakit.models.registry import MODELS
    from metakit.telling.pooled_words import how_sure, said_limits, sayer, what_is_pooled
    from metakit.telling.result_words import spread_words

    say = sayer(result)
    percent = f"{100 * result.level:g} %"
    how = _label(MEAN_INTERVALS, result.mean.method)
    told = f"{say(result.estimate)}, {percent} interval {said_limits(result.interval, say)} ({how})"
    if result.limit_only:
        told = f"{_limit(result, say)}, no estimate ({percent} interval, {how}; all events are in one arm)"
    lines = [
        f"{what_is_pooled(result)}: {told}",
        f"{_sentence_case(_label(MODELS, result.model))}; "
        f"{result.k} {'study' if result.k == 1 else 'studies'}",
    ]
    if result.prediction is not None:
        ahead = said_limits(result.prediction.interval, say)
        lines.append(f"In a new centre: {ahead} ({percent} prediction interval)")
    lines += [text for text in (how_sure(result),) if text]
    lines += [text for text in (spread_words(result, natural_of_result(result).scale.name),) if text]
    lines += ["", *_study_lines(result, say)]
    cautions = [
        text
        for text in (few_ahead(result.k) if result.prediction is not None else ())
        if text not in result.notes
    ]
    if result.inference == "half_normal":
        cautions += coverage_cautions(result.likelihood, result.k)
    for title, items in (
        ("Beside it, the same studies by", [_companion(item, say) for item in result.beside]),
        ("Cautions", cautions),
        ("Set aside", [f"{item.study}: {item.reason}" for item in result.set_aside]),
        ("Assumed", [str(item) for item in result.assumptions]),
        ("Notes", list(result.notes)),
    ):
        if items:
            lines += ["", title, *(f"  {item}" for item in items)]
    return "\n".join(lines)


def _limit(result: PoolResult, say: Callable[[float], str]) -> str:
    upper = result.limit_only == "upper"
    return f"at most {say(result.interval.upper)}" if upper else f"at least {say(result.interval.lower)}"


def _companion(item: Companion, say: Callable[[float], str]) -> str:
    """Write what stands beside the headline, or why it does not."""
    from metakit.telling.pooled_words import said_limits

    if item.interval is None:
        return f"{item.label}: {item.reason}"
    value = "no point estimate" if item.estimate is None else say(item.estimate)
    text = f"{item.label}: {value} ({said_limits(item.interval, say)})"
    if item.prediction_interval is not None:
        text += f"; in a new centre {said_limits(item.prediction_interval, say)}"
    return text


def threshold_text(beyond: BeyondThreshold, threshold: float) -> str:
    """Say how likely an effect beyond a threshold is, the threshold in natural units."""
    told = [f"In a new centre the effect lies {beyond.side} {threshold:g} with probability"]
    told.append(f"{beyond.probability:.2f}")
    text = " ".join(told)
    if beyond.mean is not None:
        text += f"; the mean over centres with probability {beyond.mean:.2f}"
    return f"{text}."


def _study_lines(result: PoolResult, say: Callable[[float], str]) -> list[str]:
    """Return a line a study, estimates, intervals and weights each below one another."""
    from metakit.telling.pooled_words import said_limits, said_weights

    width = min(max(len(row.study) for row in result.studies), 40)
    rows = []
    for row, weight in zip(result.studies, said_weights(result), strict=True):
        name = row.study if len(row.study) <= width else row.study[: width - 1] + "\u2026"
        effect = "no effect of its own" if row.effect is None else say(row.effect)
        limits = said_limits(row.interval, say) if row.interval else ""
        if row.effect is None and row.interval is not None:  # one study, whose answer is its own
            effect = _limit(result, say) if result.limit_only else say(result.estimate)
            limits = "" if result.limit_only else limits
        rows.append((name, effect, limits, f"{weight} % of the weight" if weight else ""))
    wide = [max(len(row[i]) for row in rows) for i in range(4)]
    return [
        f"  {name:<{wide[0]}}  {effect:>{wide[1]}}  {limits:<{wide[2]}}  {weight:>{wide[3]}}".rstrip()
        for name, effect, limits, weight in rows
    ]


def _label(registry: Registry[Any], name: str) -> str:
    """Name a method as its registry does; a method of a single model's own is named by its words."""
    from metakit.telling.result_words import method_words

    return str(registry[name].label) if name in registry else method_words(name)


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]
