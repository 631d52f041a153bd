"""A pooled result in words for a figure: what the mean is, how much studies differ, how it was computed."""

from __future__ import annotations

import math

from metakit.core.limits import Limits
from metakit.core.results import PoolResult
from metakit.core.written import fixed, p_value
from metakit.measures.registry import MEASURES
from metakit.models.new_centre import few_ahead

_LEADS = {
    "common_effect": "Common-effect mean",
    "random_effects": "Random-effects mean",
    "mantel_haenszel": "Mantel-Haenszel mean",
    "peto": "Peto mean",
    "one_stage": "One-stage mean",
    "bayesian": "Posterior mean",
    "half_normal": "Random-effects mean, its spread integrated",
}
_NAMES = {
    "dersimonian": "DerSimonian", "laird": "Laird", "hedges": "Hedges", "olkin": "Olkin", "paule": "Paule",
    "mandel": "Mandel", "reml": "restricted maximum likelihood", "sidik": "Sidik", "jonkman": "Jonkman",
    "hunter": "Hunter", "schmidt": "Schmidt", "hartung": "Hartung", "knapp": "Knapp", "wald": "Wald",
    "henmi": "Henmi", "copas": "Copas", "mantel": "Mantel", "haenszel": "Haenszel", "peto": "Peto",
    "bayesian": "Bayesian", "garwood": "Garwood", "clopper": "Clopper", "pearson": "Pearson",
    "poisson": "Poisson", "q": "Q", "mid": "with", "p": "mid-p",
}  # fmt: skip


def method_words(name: str) -> str:
    """Return the name of a method as words; two surnames side by side are joined by a hyphen."""
    if name.endswith("_floor"):
        return f"{method_words(name.removesuffix('_floor'))} with a floor"
    words: list[str] = []
    was_surname = False
    for part in name.split("_"):
        word = _NAMES.get(part, part)
        surname = word[:1].isupper() and len(word) > 1
        if surname and was_surname:
            words[-1] += f"-{word}"
        else:
            words.append(word)
        was_surname = surname
    return " ".join(words)


def _begun(text: str) -> str:
    """Begin a sentence, leaving the rest as it is."""
    return text[:1].upper() + text[1:]


def _count(k: int) -> str:
    return f"{k} study" if k == 1 else f"{k} studies"


def mean_label(result: PoolResult) -> str:
    """Return what a mean is called in the figure; the model is always named."""
    lead = _LEADS.get(result.model) or f"{_begun(method_words(result.model))} mean"
    return f"{lead}, {_count(result.k)}"


def _two_figures(value: float) -> str:
    if not math.isfinite(value):
        return "unbounded"
    decimals = 2 if abs(value) < 0.0095 or abs(value) >= 0.095 else 3
    if 0 < abs(value) < 0.0095:
        decimals = min(1 - math.floor(math.log10(abs(value))), 6)
    return fixed(value, decimals)


def _range(limits: Limits, *, power: float = 1.0, factor: float = 1.0) -> str:
    low, high = (factor * max(value, 0.0) ** power if power != 1 else factor * value for value in limits)
    return f"{_two_figures(low)} to {_two_figures(high)}"


def spread_words(result: PoolResult, scale: str) -> str:
    """Say how much the studies differ: their spread, then the test, the share beyond chance last."""
    het = result.heterogeneity
    level = f"{100 * result.level:.4g} % interval"
    sentences = []
    if het.tau2 is not None:
        plain = scale in {"identity", "raw"}
        measure = MEASURES[result.measure]
        factor = measure.natural_factor if plain else 1.0  # in the units in which effects are shown
        unit = f" {measure.unit}" if plain and factor != 1 and measure.unit else ""
        where = "" if plain else f" on the {scale.replace('_', ' ')} scale"
        limits = _range(het.tau2_interval, power=0.5, factor=factor) if het.tau2_interval else ""
        around = f" ({level} {limits})" if limits else ""
        said = _two_figures(factor * math.sqrt(het.tau2))
        sentences.append(f"Spread of the true effects (τ){where}: {said}{unit}{around}.")
    if het.q is not None:
        freedom = "degree" if het.q.df == 1 else "degrees"
        sentences.append(
            f"Test of equal effects: Q {fixed(het.q.value, 1)} on {het.q.df:g} {freedom} of freedom, "
            f"{p_value(het.q.p_value)}."
        )
    if het.i2 is not None:
        around = ""
        if het.i2_interval:
            low, high = (fixed(100 * value, 0) for value in het.i2_interval)
            around = f" ({low} to {high} %)"
        source = "τ²" if het.tau2 is not None else "Q"
        sentences.append(
            f"Share of the variation beyond chance (I², from {source}): {fixed(100 * het.i2, 0)} %{around}."
        )
    return " ".join(sentences)


def how_pooled(result: PoolResult) -> str:
    """Say how the mean and its intervals were computed."""
    if result.model == "single_study":
        return "One study: nothing was pooled."
    parts = [_LEADS.get(result.model) or f"{_begun(method_words(result.model))} mean"]
    estimator = getattr(result, "tau2_estimator", None)
    if estimator:
        parts.append(f"spread estimated by {method_words(estimator)}")
    posterior = result.mean.method == "equal_tailed"
    parts.append(
        "interval of the mean between equal tails of its posterior"
        if posterior
        else f"interval of the mean by {method_words(result.mean.method)}"
    )
    prediction = getattr(result, "prediction", None)
    if prediction:
        freedom = f" with {prediction.df:g} degree{'' if prediction.df == 1 else 's'} of freedom"
        parts.append("prediction interval" + (freedom if math.isfinite(prediction.df) else ""))
    return " ".join(["; ".join(parts) + ".", *(few_ahead(result.k) if prediction else ())])
