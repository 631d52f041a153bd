"""`pool`: from effects to one answer, by the inference of the review or by a named model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.results import PoolResult, SingleStudyResult
from metakit.errors import DataError, NotEstimableError, Problem, UnknownNameError, UsageError
from metakit.measures.precision import unfit_variances
from metakit.measures.registry import MEASURES
from metakit.models.answering import answer_by
from metakit.models.assembly import all_set_aside, listed
from metakit.models.estimators import MEAN_INTERVALS, TAU2_ESTIMATORS
from metakit.models.inference import DEFAULT_INFERENCE, INFERENCES, informative, likelihood_of
from metakit.models.of_counts.one_stage_intervals import INTERVALS as ONE_STAGE_INTERVALS
from metakit.models.posteriors.half_normal import mean_of_centres
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.models.single_study import own_interval, single_study


def pool(
    effects: EffectTable | None = None,
    *,
    effect: ArrayLike | None = None,
    variance: ArrayLike | None = None,
    standard_error: ArrayLike | None = None,
    study: Sequence[str] | None = None,
    model: str | None = None,
    tau2: str | None = None,
    interval: str | None = None,
    tau2_interval: str | None = None,
    prediction: str | None = None,
    inference: str | None = None,
    likelihood: str | None = None,
    beside: bool = True,
    intervals: bool = True,
    level: float = 0.95,
    **extra: Any,
) -> PoolResult:
    """Pool the effects of studies.

    Parameters
    ----------
    effects : EffectTable, optional
        From `effect_sizes`; or else `effect` with `variance` or `standard_error`.
    effect, variance, standard_error : array_like, shape (k,)
        Ready effects on the analysis scale (logs for ratios).
    study : sequence of str, optional
        Their names; "study 1", "study 2", ... when left out.
    model : str, optional
        A name in MODELS, which is then fitted and nothing else. When left out, the inference answers.
    tau2, interval, tau2_interval, prediction : str, optional
        Names in TAU2_ESTIMATORS, MEAN_INTERVALS, TAU2_INTERVALS and PREDICTION_INTERVALS (one-stage and
        Bayesian models have their own). Naming one without a model means random effects.
    inference : str, optional
        A name in INFERENCES, `half_normal` when left out: how a review treats the spread between centres, the
        same for all its numbers. The other stands beside the answer.
    likelihood : str, optional
        A name in LIKELIHOODS, as decided for a whole comparison (`result.likelihood`), for analyses of a part
        of it; when left out it follows from the measure and from how rare the event is.
    beside : bool
        Whether the same studies answered in other ways stand beside the answer; analyses of a part, or by
        another choice, go without.
    intervals : bool
        Whether a model with several intervals (the one-stage model) forms them all, or its answer's alone.
    level : float
        Of every interval.
    **extra
        Options of a single model (`draws` and `seed` of the bootstrap prediction interval, `variant` of the
        one-stage model, the priors of the Bayesian one, `tau_prior_scale` of the inference `half_normal`).

    Returns
    -------
    PoolResult
        Of the class that belongs to the model; `SingleStudyResult` when one study alone carries information.

    Raises
    ------
    DataError
        With every problem of the arrays, each naming its study.
    UsageError
        For an unknown name, or an option or measure that the model does not have.
    NotEstimableError
        When the data hold no answer; the message says why and what could be asked instead.

    Examples
    --------
    >>> result = pool(effect=[0.30, 0.31, 0.29], variance=[0.04, 0.05, 0.06], interval="hartung_knapp")
    >>> [round(limit, 3) for limit in result.interval]
    [0.277, 0.324]
    """
    table = _table(effects, effect, variance, standard_error, study)
    if not 0 < level < 1:
        raise UsageError(f"the level of an interval lies between 0 and 1, not {level!r}")
    options = PoolOptions(
        level=level,
        tau2=tau2,
        interval=interval,
        tau2_interval=tau2_interval,
        prediction=prediction,
        inference=inference,
        likelihood=likelihood,
        beside=beside,
        intervals=intervals,
        extra=extra,
    )
    chosen = None if model is None else _fitting(model, table)
    rule = INFERENCES[inference or DEFAULT_INFERENCE].name
    usable = np.flatnonzero(informative(table) | table.estimable)
    if not len(usable):
        raise NotEstimableError(_nothing(table))
    named = model is not None or _names_a_method(options)
    if len(usable) == 1:
        return _one(table, int(usable[0]), options, model, named)
    if chosen is not None:
        return chosen.fit(table, replace(options, inference=None, likelihood=None))
    if named:
        return _named_method(table, options)
    return answer_by(rule, table, options)


def _names_a_method(options: PoolOptions) -> bool:
    return any((options.tau2, options.interval, options.tau2_interval, options.prediction))


def _named_method(table: EffectTable, options: PoolOptions) -> PoolResult:
    """Fit random effects, to which an estimator or interval named without a model belongs.

    An interval that only the one-stage model has asks for that one.
    """
    own = options.interval is not None and options.interval not in MEAN_INTERVALS
    name = "one_stage" if own and options.interval in ONE_STAGE_INTERVALS else "random_effects"
    return MODELS[name].fit(table, options)


def _one(
    table: EffectTable, row: int, options: PoolOptions, model: str | None, named: bool
) -> SingleStudyResult:
    """Answer by the one study that carries information."""
    if named:
        _known_names(options, model)
        result = single_study(table, row, options)
        asked = f"The model {model} was asked for; one study leaves nothing to fit it to."
        return replace(result, notes=(*([asked] if model else []), *result.notes))
    result = own_interval(table, row, options)
    only = table.select(np.arange(len(table)) == row)
    beside = mean_of_centres(only, options) if options.beside else None
    return replace(
        result,
        inference=options.inference or DEFAULT_INFERENCE,
        likelihood=options.likelihood or likelihood_of(table),
        beside=(beside,) if beside else (),
    )


def _fitting(model: str, table: EffectTable) -> Model:
    """Return the model of this name, if it takes the table's measure."""
    entry, measure = MODELS[model], MEASURES[table.measure]
    allowed = entry.measures or tuple(
        known.name for known in MEASURES if not entry.families or known.family in entry.families
    )
    if measure.name not in allowed:
        raise UsageError(
            f"the {model} model does not take the measure {measure.name}; it takes {', '.join(allowed)}"
        )
    return entry


def _known_names(options: PoolOptions, model: str | None) -> None:
    """Refuse misspelt names also where one study leaves nothing for them to do."""
    if model not in (None, "random_effects", "common_effect"):
        return
    for registry, name in ((TAU2_ESTIMATORS, options.tau2), (MEAN_INTERVALS, options.interval)):
        if name is not None and name not in registry:
            raise UnknownNameError(registry.kind, name, registry.names())


def _nothing(table: EffectTable) -> str:
    aside = all_set_aside(table)
    label = MEASURES[table.measure].label
    if not aside:
        return "there is no study to pool: the table is empty"
    instead = (
        "; studies without events still say something about the risk difference (measure 'risk_difference')"
        if table.measure in ("odds_ratio", "risk_ratio", "peto_odds_ratio")
        else ""
    )
    return f"no study carries information on the {label} ({listed(aside)}){instead}"


def _table(
    effects: EffectTable | None,
    effect: ArrayLike | None,
    variance: ArrayLike | None,
    standard_error: ArrayLike | None,
    study: Sequence[str] | None,
) -> EffectTable:
    """Return the table given, or make one of ready effects after checking them."""
    if effects is not None:
        if any(part is not None for part in (effect, variance, standard_error, study)):
            raise UsageError(
                "give either a table of effects, or effect with variance or standard_error, not both"
            )
        return effects
    if effect is None or (variance is None) == (standard_error is None):
        raise UsageError("give a table of effects, or effect together with either variance or standard_error")
    spread = "variance" if standard_error is None else "standard_error"
    y, s = (
        _numbers("effect", effect),
        _numbers(spread, variance if standard_error is None else standard_error),
    )
    names = (
        tuple(f"study {i + 1}" for i in range(len(y)))
        if study is None
        else tuple(str(name) for name in study)
    )
    if not len(y) == len(s) == len(names):
        raise UsageError(
            f"effect, {spread} and study need one entry a study: they have "
            f"{len(y)}, {len(s)} and {len(names)}"
        )
    _check(names, y, s, spread)
    v = s if standard_error is None else s * s
    unfit = unfit_variances(v, np.ones(len(v), dtype=bool))
    if unfit:
        raise DataError(
            [
                Problem(file="pool", line=row + 1, field=spread, what=what, found=names[row])
                for row, what in unfit
            ]
        )
    return EffectTable(
        measure="generic",
        scale="identity",
        study=names,
        effect=y,
        variance=v,
        estimable=np.ones(len(y), dtype=bool),
        data={"effect": y, "variance": v},
    )


def _numbers(name: str, values: ArrayLike | None) -> FloatArray:
    try:
        array = np.array(values, dtype=float)
    except (TypeError, ValueError):
        raise UsageError(f"{name} must be a list of numbers, not {values!r}") from None
    if array.ndim != 1:
        raise UsageError(f"{name} must be a list of numbers, one a study; it has {array.ndim} dimensions")
    return array


def _check(names: tuple[str, ...], effect: FloatArray, spread: FloatArray, spread_name: str) -> None:
    """Name every study whose effect or spread cannot be pooled."""
    problems = []
    with np.errstate(invalid="ignore"):
        rows = (
            (np.flatnonzero(~np.isfinite(effect)), "effect", effect, "a finite number"),
            (np.flatnonzero(~(np.isfinite(spread) & (spread > 0))), spread_name, spread, "a positive number"),
        )
    for bad, field, values, allowed in rows:
        problems += [
            Problem(
                file="pool",
                line=int(row) + 1,
                field=field,
                what=f"study {names[row]!r} cannot be pooled",
                found=f"{values[row]:g}",
                allowed=allowed,
            )
            for row in bad
        ]
    if problems:
        raise DataError(sorted(problems, key=lambda problem: problem.line or 0))
