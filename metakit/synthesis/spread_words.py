"""How much studies differ, in plain words: tau, the effect in a new centre, Q, and I2 last."""

from __future__ import annotations

import math

from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.results import PoolResult
from metakit.core.written import count, fixed, p_value
from metakit.measures.natural import NaturalValues, natural_values
from metakit.measures.registry import Measure
from metakit.models.companions import TWICE_THE_SPREAD
from metakit.models.inference import INFERENCES
from metakit.synthesis.findings import Findings

FEW_STUDIES = 4
"""Up to so many studies the answer with twice the assumed spread is told in the same breath."""
_PRIOR_95 = 1.959963984540054


def spread_sentences(result: PoolResult, measure: Measure, scale: str | None, unit: str) -> list[str]:
    """Tell how much studies differ: tau, the prediction interval, Q, and I2 last."""
    het = result.heterogeneity
    if het.tau2 is None or result.k < 2:
        return []
    values = natural_values(result, measure, scale)
    sentences = [_tau(result, measure, scale)]
    if values.prediction:
        ahead = getattr(result, "prediction")  # noqa: B009 - only some models have one
        freedom = f", {count(round(ahead.df), 'degree')} of freedom" if math.isfinite(ahead.df) else ""
        sentences.append(
            f"In a new centre, {article(measure.label)} between {values.show(values.prediction[0])} and "
            f"{values.show(values.prediction[1])}{unit} would be expected "
            f"({100 * result.level:g} % prediction interval{freedom})."
        )
    if result.k <= FEW_STUDIES:
        sentences += _twice(result, measure, values, unit)
    if het.q:
        q = f"Q {het.q.value:.1f} on {count(round(het.q.df), 'degree')} of freedom, {p_value(het.q.p_value)}"
        # I2 beside an assumed spread follows from the assumption, and would contradict Q for few studies.
        share = "" if isinstance(result, HalfNormalResult) else _i2_words(result)
        sentences.append(f"{q}{share}.")
    return sentences


def interval_kinds(findings: Findings) -> tuple[str, ...]:
    """Say once for a whole report what kind of interval its answers have, and how spread is treated."""
    used = [item.result.inference for item in findings.analyses if item.result is not None]
    return tuple(
        f"{INFERENCES[name].about} “metakit explain {name}” tells more; an answer that names another method "
        "has that."
        for name in dict.fromkeys(used)
        if name
    )


def tau_shown(value: float) -> str:
    """Write a spread; only a true zero is 0."""
    if value == 0:
        return "0"
    return fixed(value, 2) if value >= 0.095 or math.isinf(value) else f"{value:.2g}"


def _tau(result: PoolResult, measure: Measure, scale: str | None) -> str:
    het = result.heterogeneity
    tau = math.sqrt(het.tau2 or 0.0)
    where = {"log": " on the log scale", "logit": " on the log-odds scale"}.get(measure.scale(scale).name, "")
    limits = ""
    if het.tau2_interval:
        low, high = (math.sqrt(max(limit, 0.0)) for limit in het.tau2_interval)
        limits = f" ({100 * result.level:g} % interval {tau_shown(low)} to {tau_shown(high)})"
    if isinstance(result, HalfNormalResult):
        return (
            f"Centres are assumed to differ (tau below {_PRIOR_95 * result.prior_scale:.2g} with 95 % prior "
            f"probability); with these studies tau is {tau_shown(tau)}{where}{limits}."
        )
    if tau == 0:
        return (
            f"The spread between studies (tau) is estimated as 0{where}{limits}, which does not show that "
            "centres agree."
        )
    size = f"{tau_shown(tau)}{where}{limits}"
    return f"Between studies the effect varies with a standard deviation (tau) of {size}."


def _twice(result: PoolResult, measure: Measure, values: NaturalValues, unit: str) -> list[str]:
    """Tell the answer with twice the assumed spread."""
    for item in result.beside:
        if item.name == TWICE_THE_SPREAD and item.interval is not None:
            low, high = (
                measure.natural_factor * float(result.back_transform(limit)) for limit in item.interval
            )
            return [f"With twice that spread: {values.show(low)} to {values.show(high)}{unit}."]
    return []


def _i2_words(result: PoolResult) -> str:
    het = result.heterogeneity
    if het.i2 is None:
        return ""
    text = f"; I² {100 * het.i2:.0f} %"
    if het.i2_interval:
        text += f" ({100 * het.i2_interval.lower:.0f} to {100 * het.i2_interval.upper:.0f})"
    return text


def article(label: str) -> str:
    """Put a or an before a label."""
    return f"{'an' if label[0] in 'aeiou' else 'a'} {label}"
