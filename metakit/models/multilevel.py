"""Effects that depend on each other: several of one cohort, unit or trial, kept together in one model.

References
----------
Konstantopoulos (2011) for the three-level model; Pustejovsky & Tipton (2022) for the model of correlated and
hierarchical effects; Tipton (2015) for CR2 with Satterthwaite degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits
from metakit.core.results import Heterogeneity, MeanInterval, Prediction
from metakit.errors import ConvergenceError, NotEstimableError, UnknownNameError, UsageError
from metakit.measures.multi_arm import shared_comparator_covariance
from metakit.models.assembly import all_set_aside, back_transform, mean_interval, null_value, study_rows
from metakit.models.common_effect import pooled_rows, refuse
from metakit.models.multilevel_result import MultilevelResult
from metakit.models.multilevel_words import _is_blank, _labels, _Side, _side_words, _words
from metakit.models.registry import MODELS, Model, PoolOptions
from metakit.numerics.ascent import IntArray
from metakit.numerics.cluster_robust import RobustCovariance, cluster_robust_covariance
from metakit.numerics.distributions import chi_squared_quantile
from metakit.numerics.heterogeneity import typical_variance
from metakit.numerics.multilevel import Clusters, ThreeLevelFit, by_cluster, fit_three_level, variance_limits
from metakit.numerics.weights import prepare

INTERVALS = ("cluster_robust", "t", "wald")
"""Intervals for the mean, the default first."""
_CORRELATIONS = (0.2, 0.5, 0.8)


def pool_dependent(
    effects: EffectTable,
    *,
    cluster: str | Sequence[object] = "cohort",
    sampling_correlation: float = 0.0,
    shared_comparator: bool = False,
    interval: str | None = None,
    level: float = 0.95,
) -> MultilevelResult:
    """Pool effects that share cohorts, by a three-level model with cluster-robust standard errors.

    Parameters
    ----------
    effects : EffectTable
        One row an effect; several rows may come from one cluster.
    cluster : str or sequence
        Name of a moderator, or one label a row. A blank label makes the effect a cluster of its own.
    sampling_correlation : float
        Correlation of the sampling errors of two effects of one cluster: 0 when they come from different
        thumbs; above 0 (0.6, say) when the same patients are measured twice, which gives the
        correlated-and-hierarchical-effects model.
    shared_comparator : bool
        Rows of one cluster are arms of one study against the same comparator: their sampling covariance
        follows from its numbers (Gleser & Olkin 2009; Cochrane Handbook 23.3.4), no thumb counts twice.
    interval : {"cluster_robust", "t", "wald"}, optional
        `cluster_robust` (default) by CR2 with Satterthwaite degrees of freedom; `t` model-based on clusters
        minus 1 degrees of freedom; `wald` model-based.
    level : float

    Returns
    -------
    MultilevelResult

    Raises
    ------
    NotEstimableError
        With fewer than two clusters.
    ConvergenceError
        When the restricted likelihood did not settle at a maximum.
    UsageError
        For an unknown column, interval or a correlation outside 0 to 1.

    References
    ----------
    Konstantopoulos (2011); Pustejovsky & Tipton (2022); Tipton (2015).

    Examples
    --------
    >>> from metakit.measures.tables import effect_sizes
    >>> table = {
    ...     "study": ["A early", "A late", "B", "C", "D"],
    ...     "cohort": ["A", "A", "B", "C", "D"],
    ...     "effect": [0.1, 0.2, 0.5, 0.3, 0.6],
    ...     "variance": [0.04, 0.04, 0.05, 0.06, 0.05],
    ... }
    >>> result = pool_dependent(effect_sizes(table, measure="generic"))
    >>> result.clusters, round(result.estimate, 3)
    (4, 0.347)
    """
    chosen = interval or INTERVALS[0]
    if chosen not in INTERVALS:
        raise UnknownNameError("interval of the multilevel model", chosen, INTERVALS)
    if not 0.0 <= sampling_correlation < 1.0:
        raise UsageError(
            f"a sampling correlation lies between 0 and 1 (1 excluded), not {sampling_correlation:g}"
        )
    if not 0.0 < level < 1.0:
        raise UsageError(f"the level of an interval lies between 0 and 1, not {level:g}")
    if shared_comparator and sampling_correlation:
        raise UsageError(
            "a shared comparator gives the covariance itself: leave the sampling correlation out"
        )
    labels = _labels(effects, cluster)
    rows = pooled_rows(effects)
    codes, blank = _codes(
        rows, tuple(label for label, use in zip(labels, effects.estimable, strict=True) if use)
    )
    count = int(codes.max()) + 1
    if count < 2:
        raise NotEstimableError(
            f"all {len(rows)} effects belong to one cluster; a model of clusters needs two or more (choose "
            "one effect of the cluster and show it alone)"
        )
    data = _laid_out(rows, codes, sampling_correlation)
    if shared_comparator:
        data = _with_shared_comparators(rows, codes, data)
    fit = _fitted(data)
    robust = cluster_robust_covariance(data.design, fit.working, fit.residual)
    null = null_value(effects)
    made = _intervals(fit, robust, count, null, level)
    variances = _variance_intervals(data, fit, level)
    shares = _shares(rows, fit)
    sides = [_correlated(rows, codes, rho) for rho in _CORRELATIONS] if sampling_correlation > 0 else []
    return MultilevelResult(
        measure=effects.measure,
        level=level,
        studies=study_rows(rows, _row_weights(data, fit), level),
        mean=made[chosen],
        estimate=float(fit.coefficients[0]),
        heterogeneity=Heterogeneity(tau2=fit.between + fit.within, i2=sum(shares)),
        back_transform=back_transform(effects),
        set_aside=all_set_aside(effects),
        assumptions=effects.assumptions,
        notes=(
            *effects.notes,
            *_words(data, fit, made, blank, sampling_correlation),
            *((SHARED,) if shared_comparator else ()),
            *(_side_words(effects, sides, sampling_correlation) if sides else ()),
        ),
        references=("konstantopoulos_2011", "pustejovsky_tipton_2022", "tipton_2015"),
        clusters=count,
        cluster=cluster if isinstance(cluster, str) else "",
        sampling_correlation=sampling_correlation,
        shared_comparator=shared_comparator,
        tau2_between=fit.between,
        tau2_within=fit.within,
        tau2_between_interval=variances[0],
        tau2_within_interval=variances[1],
        i2_between=shares[0],
        i2_within=shares[1],
        log_likelihood=fit.log_likelihood,
        prediction=_prediction(fit, made[chosen], count, level),
        other_intervals=tuple(made[name] for name in INTERVALS if name != chosen),
    )


def _codes(rows: EffectTable, labels: tuple[object, ...]) -> tuple[IntArray, tuple[str, ...]]:
    """Return cluster numbers in order of appearance, and the studies whose label is blank."""
    numbers: dict[object, int] = {}
    codes = []
    for row, label in enumerate(labels):
        key: object = ("row", row) if _is_blank(label) else ("label", str(label).strip())
        codes.append(numbers.setdefault(key, len(numbers)))
    blank = tuple(name for name, label in zip(rows.study, labels, strict=True) if _is_blank(label))
    return np.array(codes, dtype=np.intp), blank


def _laid_out(rows: EffectTable, codes: IntArray, correlation: float) -> Clusters:
    return by_cluster(rows.effect, rows.variance, np.ones((len(rows), 1)), codes, correlation=correlation)


SHARED = "Arms of one study against one comparator: their covariance is that of the comparator's own numbers."


def _with_shared_comparators(rows: EffectTable, codes: IntArray, data: Clusters) -> Clusters:
    """Return the layout with each cluster's covariance that of arms against one comparator."""
    sampling = data.sampling.copy()
    for cluster in range(data.count):
        members = np.flatnonzero(codes == cluster)
        if len(members) < 2:
            continue
        block = shared_comparator_covariance(
            rows.measure,
            {name: column[members] for name, column in rows.data.items()},
            zero_cells=rows.zero_cells or None,
        )
        sampling[cluster, : len(members), : len(members)] = block
    return replace(data, sampling=sampling)


def _fitted(data: Clusters) -> ThreeLevelFit:
    fit = fit_three_level(data)
    if not fit.converged:
        raise ConvergenceError(
            "the restricted likelihood of the multilevel model did not settle at a maximum; choose one "
            "effect a cluster and use the random_effects model"
        )
    return fit


def _intervals(
    fit: ThreeLevelFit, robust: RobustCovariance, clusters: int, null: float | None, level: float
) -> dict[str, MeanInterval]:
    estimate = float(fit.coefficients[0])
    made = {}
    for method, variance, df in (
        ("cluster_robust", float(robust.covariance[0, 0]), float(robust.df[0])),
        ("t", float(fit.covariance[0, 0]), float(clusters - 1)),
        ("wald", float(fit.covariance[0, 0]), math.inf),
    ):
        error = math.sqrt(variance)
        reach = special.ndtri(0.5 + level / 2) if math.isinf(df) else special.stdtrit(df, 0.5 + level / 2)
        limits = Limits(estimate - float(reach) * error, estimate + float(reach) * error)
        made[method] = mean_interval(
            method, estimate=estimate, standard_error=error, interval=limits, null=null, df=df
        )
    return made


def _variance_intervals(
    data: Clusters, fit: ThreeLevelFit, level: float
) -> tuple[Limits | None, Limits | None]:
    cutoff = float(chi_squared_quantile(level, np.ones(1))[0])
    found: list[Limits | None] = []
    for component in (0, 1):
        if component == 1 and not data.nested:
            found.append(None)
            continue
        limits = variance_limits(data, fit, component=component, cutoff=cutoff)
        found.append(None if any(math.isnan(limit) for limit in limits) else Limits(*limits))
    return found[0], found[1]


def _shares(rows: EffectTable, fit: ThreeLevelFit) -> tuple[float, float]:
    """Return I2 between and within clusters, with the typical sampling variance of Higgins & Thompson."""
    typical = float(typical_variance(prepare(rows.effect, rows.variance)))
    total = fit.between + fit.within + typical
    return fit.between / total, fit.within / total


def _row_weights(data: Clusters, fit: ThreeLevelFit) -> FloatArray:
    """Return the weight of each effect in the mean; they add up to 1 and may be negative."""
    pull = (np.linalg.inv(fit.working) @ data.design)[..., 0]
    return np.asarray(pull.ravel()[data.order] / pull.sum())


def _prediction(fit: ThreeLevelFit, mean: MeanInterval, clusters: int, level: float) -> Prediction | None:
    """Where an effect of a new cluster lies: t with clusters minus 2 degrees of freedom, as for studies."""
    if clusters < 3:
        return None
    df = float(clusters - 2)
    spread = math.sqrt(mean.standard_error**2 + fit.between + fit.within)
    half = float(special.stdtrit(df, 0.5 + level / 2)) * spread
    estimate = float(fit.coefficients[0])
    return Prediction(
        method="higgins_thompson_spiegelhalter", interval=Limits(estimate - half, estimate + half), df=df
    )


def _correlated(rows: EffectTable, codes: IntArray, correlation: float) -> _Side:
    data = _laid_out(rows, codes, correlation)
    fit = _fitted(data)
    robust = cluster_robust_covariance(data.design, fit.working, fit.residual)
    return _Side(
        correlation=correlation,
        estimate=float(fit.coefficients[0]),
        error=math.sqrt(float(robust.covariance[0, 0])),
    )


def fit(table: EffectTable, options: PoolOptions) -> MultilevelResult:
    """Pool effects that share clusters: several outcomes, times or arms of one study, reports of one cohort.

    Parameters
    ----------
    table : EffectTable
    options : PoolOptions
        `interval` is one of INTERVALS; `extra` takes `cluster` (a column, `cohort` when left out) and
        `sampling_correlation`.

    Raises
    ------
    UsageError
        For an option that the model does not have.
    """
    refuse(
        "multilevel",
        tau2=options.tau2,
        tau2_interval=options.tau2_interval,
        prediction=options.prediction,
        **{name: value for name, value in options.extra.items() if name not in OPTIONS},
    )
    stated = options.extra.get("sampling_correlation")
    return pool_dependent(
        table,
        cluster=options.extra.get("cluster") or "cohort",
        sampling_correlation=0.0 if stated is None else float(stated),
        shared_comparator=bool(options.extra.get("shared_comparator")),
        interval=options.interval,
        level=options.level,
    )


OPTIONS = ("cluster", "sampling_correlation", "shared_comparator")
MODELS.add(
    Model(
        name="multilevel",
        label="Three-level model of effects that share clusters, cluster-robust errors",
        fit=fit,
        references=("konstantopoulos_2011", "pustejovsky_tipton_2022", "tipton_2015"),
    )
)
