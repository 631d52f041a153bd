"""From a path of the published collection ("odds_ratio/reml/tau2") to the figure that metakit gives."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from agreement import CLOSED, ITERATED, published

from metakit.core.effects import EffectTable
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool

SCALES = {
    "logit": ("proportion", "logit"),
    "arcsine": ("proportion", "arcsine"),
    "freeman_tukey": ("proportion", "double_arcsine"),
    "log_rate": ("rate", "log"),
}
INTERVALS = {
    "interval": "wald",
    "standard_error": "wald",
    "p_value": "wald",
    "coefficient": "wald",
    "tau2": "wald",
    "hartung_knapp_standard_error": "hartung_knapp",
    "hartung_knapp_interval": "hartung_knapp",
    "hartung_knapp_floor_interval": "hartung_knapp_floor",
    "prediction_interval": "wald",
    "prediction_interval_hartung_knapp_df_k_minus_1": "hartung_knapp",
}
PREDICTIONS = {
    "prediction_interval": "higgins_thompson_spiegelhalter",
    "prediction_interval_hartung_knapp_df_k_minus_1": "hartung_knapp",
}
LATER = ("leave_one_out", "cumulative", "egger", "begg", "trim_and_fill")
"""Regression and small-study effects: their own tests."""


@cache
def effects_of(table: str, name: str) -> EffectTable:
    """Return the effects of a published table; differences and arcs are never corrected."""
    content = published(table)
    frame = pd.DataFrame(content["rows"], columns=content["columns"])
    measure, scale = SCALES.get(name, (name, None))
    return effect_sizes(frame, measure=measure, scale=scale)


@cache
def book_effects(table: str) -> tuple[Sequence[float], Sequence[float]]:
    """Return the SMDs as Borenstein 2009 computes them (J = 1 - 3/(4 df - 1), variance J^2 var d)."""
    from oracle import cases, means

    pairs = [means.hedges_g_book(row) for row in cases.columns(cases.table(table), *cases.TWO_MEANS)]
    return tuple(float(pair[0]) for pair in pairs), tuple(float(pair[1]) for pair in pairs)


@cache
def fit(table: str, name: str, **options: Any) -> Any:
    """Pool a published table."""
    if name == "book_hedges_g":
        effect, variance = book_effects(table)
        return pool(effect=effect, variance=variance, **options)
    return pool(effects_of(table, name), **options)


def answer(table: str, path: str) -> tuple[float, float] | None:
    """Return metakit's figure and the digits it must have; None for what other sections test."""
    head, *rest = path.split("/")
    if head in ("mantel_haenszel", "mantel_haenszel_rate_ratio", "peto"):
        return stratified(table, path)
    if head in ("ft_back_transform", "logit_back_transform"):
        return back_transformed(table, path)
    known = {*SCALES, "book_hedges_g", "odds_ratio", "risk_ratio", "risk_difference", "rate_ratio"}
    known |= {"standardized_mean_difference", "mean_difference", "ratio_of_means"}
    if head not in known or rest[0] in LATER:
        return None
    method, figure, *places = rest
    if method in ("effect", "variance"):
        if head == "book_hedges_g":
            return None
        effects = effects_of(table, head)
        column = getattr(effects, method)[effects.estimable]
        return float(column[int(figure)]), CLOSED
    if method == "heterogeneity":
        return heterogeneity(table, head, figure, places)
    if method == "common_effect":
        result = fit(table, head, model="common_effect")
        if figure == "q_residual":
            return result.heterogeneity.q.value, CLOSED - 1
        if figure == "p_value" and result.mean.p_value is None:
            return None  # a proportion or a rate has no null value to test
        return mean_figure(result, figure, places), CLOSED
    required = ITERATED if method in ("reml", "maximum_likelihood", "paule_mandel") else CLOSED - 0.5
    options = {"tau2": method, "interval": INTERVALS[figure]}
    if figure in PREDICTIONS:
        options["prediction"] = PREDICTIONS[figure]
    result = fit(table, head, **options)
    if figure == "tau2":
        return result.heterogeneity.tau2, required
    if figure in PREDICTIONS:
        return result.prediction.interval[int(places[0])], required
    if figure == "p_value" and result.mean.p_value is None:
        return None
    return mean_figure(result, figure, places), required


def mean_figure(result: Any, figure: str, places: list[str]) -> float:
    """Return estimate, error, p value or a limit."""
    if figure == "coefficient":
        return float(result.estimate)
    if figure.endswith("standard_error"):
        return float(result.standard_error)
    if figure == "p_value":
        return float(result.mean.p_value)
    return float(result.interval[int(places[1])])


def heterogeneity(table: str, name: str, figure: str, places: list[str]) -> tuple[float, float] | None:
    """Return Q, its p value, I2 of the moment kind, or a limit of the Q-profile."""
    common = fit(table, name, model="common_effect").heterogeneity
    if figure in ("q", "p"):
        return (common.q.value if figure == "q" else common.q.p_value), CLOSED - 2
    if figure == "i2":
        moment = fit(table, name, tau2="dersimonian_laird", interval="wald").heterogeneity
        return moment.i2, CLOSED - 1
    if figure in ("tau2_interval_q_profile", "i2_interval_q_profile"):
        profile = fit(table, name, tau2="reml", interval="wald", tau2_interval="q_profile").heterogeneity
        pair = profile.tau2_interval if figure.startswith("tau2") else profile.i2_interval
        return pair[int(places[0])], ITERATED
    return None


def back_transformed(table: str, path: str) -> tuple[float, float] | None:
    """Return a pooled proportion in natural units.

    Double arcsine means come back by Miller's formula at the harmonic mean n; the squared sine (the collection's
    p_plain_sin2) is the limit for large samples.
    """
    head, method, figure = path.split("/")
    name = "freeman_tukey" if head == "ft_back_transform" else "logit"
    if method == "common_effect":
        result, required = fit(table, name, model="common_effect"), CLOSED - 1
    else:
        closed = method == "dersimonian_laird"
        result, required = fit(table, name, tau2=method, interval="wald"), CLOSED - 1 if closed else ITERATED
    if figure == "p_n_inv_var":
        return None  # an inverse at yet another n, shown by the collection for contrast
    value = {"lo": result.interval[0], "hi": result.interval[1]}.get(figure, result.estimate)
    if figure == "p_plain_sin2":
        return float(np.sin(value) ** 2), required
    return float(result.back_transform(value)), required


def stratified(table: str, path: str) -> tuple[float, float] | None:
    """Return Mantel-Haenszel and Peto figures; the collection prints ratios and their logarithms."""
    head, *rest = path.split("/")
    if head == "peto":
        measure, model, figures = "peto_odds_ratio", "peto", rest
    elif head == "mantel_haenszel_rate_ratio":
        measure, model, figures = "rate_ratio", "mantel_haenszel", rest
    else:
        measure = {"OR": "odds_ratio", "RR": "risk_ratio"}.get(rest[0], rest[0])
        model, figures = "mantel_haenszel", rest[1:]
    figure = figures[0]
    if figure in ("cmh", "cmh_cc", "k"):
        return None
    result = fit(table, measure, model=model)
    natural = result.back_transform
    if figure in ("OR", "RR", "IRR"):
        return float(natural(result.estimate)), CLOSED
    if figure == "interval":
        return float(natural(result.interval[int(figures[1])])), CLOSED - 0.5
    if figure == "standard_error":
        return float(result.standard_error), CLOSED
    if figure == "q":
        return float(result.heterogeneity.q.value), CLOSED - 0.5
    return float(result.estimate), CLOSED
