"""What stands beside an answer from counts: Mantel-Haenszel with a sandwich variance, exact limits, totals.

References
----------
Noma & Nagashima (2016) for Mantel-Haenszel estimators where effects differ; Clopper-Pearson and exact Poisson
limits for totals.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from metakit.core.beside import Companion
from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits
from metakit.errors import MetakitError
from metakit.measures.exact_intervals import clopper_pearson, exact_poisson
from metakit.measures.registry import MEASURES
from metakit.models.registry import MODELS, PoolOptions
from metakit.numerics import stratified
from metakit.numerics.distributions import normal_quantile
from metakit.numerics.of_counts.one_stage_densities import hypergeometric_support

MANTEL_HAENSZEL = "mantel_haenszel"
Columns = tuple[FloatArray, ...]


def sandwich(measure: str, columns: Columns) -> tuple[float, float] | None:
    """Return the Mantel-Haenszel estimate and its standard error where effects may differ between studies.

    The error is the sandwich of Noma & Nagashima, never below that of one common effect: with few studies the
    sandwich can be small by chance. None where the estimate does not exist, or the measure has none.
    """
    kernels: Mapping[str, Callable[..., stratified.Stratified]] = {
        "risk_ratio": stratified.mantel_haenszel_risk_ratio,
        "risk_difference": stratified.mantel_haenszel_risk_difference,
        "odds_ratio": stratified.mantel_haenszel_odds_ratio,
        "rate_ratio": stratified.mantel_haenszel_rate_ratio,
    }
    if measure not in kernels:
        return None
    found = kernels[measure](*columns)
    if not bool(found.estimable):
        return None
    a, n1, c, n2 = columns
    size = n1 + n2
    estimate = float(found.estimate)
    if measure == "risk_difference":
        weight = n1 * n2 / size
        gap, scale = (a * n2 - c * n1) / size - estimate * weight, float(weight.sum())
    elif measure == "odds_ratio":
        r, s = a * (n2 - c) / size, c * (n1 - a) / size
        gap, scale = r - math.exp(estimate) * s, float(r.sum())
    else:
        r, s = a * n2 / size, c * n1 / size
        gap, scale = r - math.exp(estimate) * s, float(r.sum())
    error = math.sqrt(float((gap**2).sum())) / scale
    return estimate, max(error, float(found.standard_error))


def mantel_haenszel(measure: str, columns: Columns, level: float) -> Companion:
    """Return the Mantel-Haenszel answer with its sandwich interval."""
    label = "Mantel-Haenszel with a sandwich variance"
    references = ("mantel_haenszel_1959", "noma_nagashima_2016")
    found = sandwich(measure, columns)
    if found is None:
        return Companion(
            name=MANTEL_HAENSZEL,
            label=label,
            reason="one arm has no event in any study",
            references=references,
        )
    half = normal_quantile(level) * found[1]
    return Companion(
        name=MANTEL_HAENSZEL,
        label=label,
        estimate=found[0],
        interval=Limits(found[0] - half, found[0] + half),
        references=references,
    )


def exact_limit(measure: str, columns: Columns, level: float) -> Companion:
    """Return the exact conditional limit of one common ratio where all events are in one arm.

    Given each study's events, all fall into one arm with a probability that the ratio decides; the limit
    makes it (1 - level) / 2.
    """
    from scipy.optimize import brentq

    a, n1, c, n2 = columns
    none_in_first = float(a.sum()) == 0
    tail = math.log((1 - level) / 2)
    if measure == "odds_ratio":
        offset, weight = hypergeometric_support(a, n1, c, n2)

        def log_probability(log_ratio: float) -> float:
            exponent = weight + offset * log_ratio
            top = exponent.max(axis=-1)
            return float(-(top + np.log(np.exp(exponent - top[:, None]).sum(axis=-1))).sum())
    else:
        shift = np.log(n1 / n2)

        def log_probability(log_ratio: float) -> float:
            sign = 1.0 if none_in_first else -1.0
            return float(-((a + c) * np.logaddexp(0.0, sign * (log_ratio + shift))).sum())

    limit = float(brentq(lambda value: log_probability(value) - tail, -60.0, 60.0, xtol=1e-12))
    return Companion(
        name="exact_limit",
        label="exact conditional limit of one common ratio",
        interval=Limits(-math.inf, limit) if none_in_first else Limits(limit, math.inf),
        references=("cai_2010",) if measure != "odds_ratio" else ("stijnen_2010",),
    )


def profile_likelihood(table: EffectTable, level: float) -> Companion:
    """Return the one-stage maximum-likelihood answer of one arm with its profile interval."""
    label = "one-stage maximum likelihood, profile interval"
    references = ("stijnen_2010", "hardy_thompson_1996")
    options = PoolOptions(level=level, interval="profile_likelihood", intervals=False)
    try:
        found = MODELS["one_stage"].fit(table, options)
    except MetakitError as error:
        return Companion(name="profile_likelihood", label=label, reason=str(error), references=references)
    if found.mean.method != "profile_likelihood":  # nothing but events, or none: exact, and the total has it
        return Companion(
            name="profile_likelihood",
            label=label,
            reason="the likelihood has no maximum without an event and a thumb without one",
            references=references,
        )
    return Companion(
        name="profile_likelihood",
        label=label,
        estimate=found.estimate,
        interval=found.interval,
        tau2=found.heterogeneity.tau2,
        references=references,
    )


def crude_total(table: EffectTable, columns: Columns, level: float) -> Companion:
    """Return all events over all thumbs (or thumb-years) with exact limits."""
    measure = MEASURES[table.measure]
    scale = measure.scale(table.scale)
    events, size = (float(part.sum()) for part in columns)
    exact = clopper_pearson if measure.name == "proportion" else exact_poisson
    lower, upper = exact(np.asarray(events), np.asarray(size), level)
    with np.errstate(divide="ignore"):
        estimate, low, high = (
            float(part) for part in scale.from_natural(np.array([events / size, lower, upper]))
        )
    return Companion(
        name="crude_total",
        label="all studies taken as one, exact limits",
        estimate=estimate,
        interval=Limits(low, high),
        references=measure.references,
    )
