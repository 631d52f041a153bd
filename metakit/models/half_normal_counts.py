"""Random effects of raw counts, spread and mean integrated over their priors: no zero cell is corrected.

References
----------
Stijnen, Hamza & Ozdemir (2010) and Cai, Parast & Ryan (2010) for the likelihoods; Gunhan, Rover & Friede
(2020) for the prior of a mean log ratio; Brown, Cai & DasGupta (2001) for that of one arm.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from metakit.core.beside import Companion
from metakit.core.effects import EffectTable, FloatArray
from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.limits import Limits
from metakit.core.notes import SetAside
from metakit.core.results import Heterogeneity, MeanInterval, Prediction
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.registry import MEASURES
from metakit.models.assembly import all_set_aside, listed, null_value
from metakit.models.inference import LIKELIHOODS, informative
from metakit.models.of_counts.one_stage_summary import shared_fields
from metakit.models.of_counts.uncorrected import uncorrected
from metakit.models.posteriors.half_normal_priors import MEAN_DEVIATION, HalfNormalPrior
from metakit.numerics.of_counts import count_models
from metakit.numerics.posteriors.half_normal_counts import CountAnswer, CountModel, half_normal_counts

_MODELS: Mapping[str, Callable[..., CountModel]] = MappingProxyType(
    {
        "conditional_binomial": count_models.conditional_binomial,
        "conditional_hypergeometric": count_models.conditional_hypergeometric,
        "binomial": count_models.binomial_logit,
        "poisson": count_models.poisson_log,
    }
)
COUNT_LIKELIHOODS = tuple(_MODELS)
WHOLE = (
    "the conditional likelihood of an odds ratio needs whole numbers of events and thumbs, and some are "
    "effective numbers"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CountAnswers:
    """Answers of one likelihood under one prior scale, on the analysis scale."""

    estimate: float
    interval: Limits
    prediction: Limits
    tau: float
    tau_interval: Limits


def count_columns(table: EffectTable, likelihood: str) -> tuple[EffectTable, tuple[FloatArray, ...]]:
    """Return the studies that say something by this likelihood, and their raw columns.

    Raises
    ------
    NotEstimableError
        When there is none.
    UsageError
        For effective numbers where whole ones are needed.
    """
    columns = tuple(np.asarray(table.data[name], dtype=float) for name in MEASURES[table.measure].columns)
    if likelihood == "conditional_hypergeometric" and any((part != np.round(part)).any() for part in columns):
        raise UsageError(WHOLE)
    keep = informative(table)
    raw = uncorrected(table)
    aside = tuple(
        SetAside(study=table.study[row], reason="no event, or nothing but events, in both arms: weight 0")
        for row in np.flatnonzero(~keep)
    )
    raw = replace(raw, set_aside=(*raw.set_aside, *aside))
    if not keep.any():
        raise NotEstimableError(f"no study carries information ({listed(all_set_aside(raw))})")
    return raw.select(keep), tuple(part[keep] for part in columns)


def answer_counts(
    likelihood: str, columns: tuple[FloatArray, ...], scale: float, level: float
) -> tuple[CountAnswers, CountAnswer]:
    """Integrate one likelihood under one prior scale of tau; the same counts are integrated once."""
    return _answered(likelihood, tuple(tuple(map(float, part)) for part in columns), scale, level)


@lru_cache(maxsize=512)
def _answered(
    likelihood: str, columns: tuple[tuple[float, ...], ...], scale: float, level: float
) -> tuple[CountAnswers, CountAnswer]:
    # Studies of the same counts have one likelihood, which is worked out once.
    counted = Counter(zip(*columns, strict=True))
    model = _MODELS[likelihood](*np.array(list(counted)).T)
    if len(counted) < len(columns[0]):
        model = replace(model, times=np.array(list(counted.values()), dtype=float))
    found = half_normal_counts(model, scale=scale)
    low, high = (1 - level) / 2, (1 + level) / 2
    mean = found.posterior.quantile([low, 0.5, high])
    ahead = found.posterior.quantile([low, high], new_centre=True)
    tau = found.tau_quantiles(low, 0.5, high)
    return (
        CountAnswers(
            estimate=float(mean[1]),
            interval=Limits(float(mean[0]), float(mean[2])),
            prediction=Limits(float(ahead[0]), float(ahead[1])),
            tau=float(tau[1]),
            tau_interval=Limits(float(tau[0]), float(tau[2])),
        ),
        found,
    )


def companion_of(found: CountAnswers, name: str, label: str, references: tuple[str, ...]) -> Companion:
    """Return an answer from counts as something that stands beside another."""
    return Companion(
        name=name,
        label=label,
        estimate=found.estimate,
        interval=found.interval,
        prediction_interval=found.prediction,
        tau2=found.tau**2,
        references=references,
    )


def fit_counts(
    table: EffectTable, likelihood: str, prior: HalfNormalPrior, level: float, *, wider: bool = True
) -> tuple[HalfNormalResult, tuple[FloatArray, ...]]:
    """Pool raw counts by one likelihood; what stands beside it but the `wider` prior is the caller's.

    One rate alone has no answer under the wider prior: that of Jeffreys does not bound it from above.

    Returns
    -------
    HalfNormalResult
    tuple of ndarray
        The raw columns of the studies that entered.
    """
    rows, columns = count_columns(table, likelihood)
    found, engine = answer_counts(likelihood, columns, prior.scale, level)
    beside = []
    if wider and not (likelihood == "poisson" and len(rows) == 1):
        wide, _ = answer_counts(likelihood, columns, 2.0 * prior.scale, level)
        label = "the same with twice the spread between centres"
        beside = [companion_of(wide, "twice_the_spread", label, ("friede_2017",))]
    mean, deviation = engine.posterior.moments()
    null = null_value(table)
    sentence = prior.sentence(_mean_prior(likelihood))
    result = HalfNormalResult(
        **shared_fields(rows, level),
        mean=MeanInterval(
            method="equal_tailed",
            standard_error=deviation,
            interval=found.interval,
            statistic=None,
            p_value=None,
        ),
        estimate=found.estimate,
        heterogeneity=Heterogeneity(
            tau2=found.tau**2,
            tau2_interval=Limits(*(limit**2 for limit in found.tau_interval)),
            tau2_interval_method="equal_tailed",
        ),
        notes=(*rows.notes, sentence),
        references=tuple(
            dict.fromkeys(
                (
                    *LIKELIHOODS[likelihood].references,
                    *(("gunhan_2020",) if null is not None else ("brown_2001",)),
                    "higgins_thompson_spiegelhalter_2009",
                    "rover_2021",
                )
            )
        ),
        likelihood=likelihood,
        beside=tuple(beside),
        posterior=engine.posterior,
        prior_scale=prior.scale,
        prior=sentence,
        posterior_mean=mean,
        prediction=Prediction(method="posterior", interval=found.prediction, df=math.inf),
        above=None if null is None else 1.0 - float(engine.posterior.below(null)),
        new_above=None if null is None else 1.0 - float(engine.posterior.below(null, new_centre=True)),
    )
    return result, columns


def _mean_prior(likelihood: str) -> str:
    if likelihood.startswith("conditional"):
        return f"normal around 0 with standard deviation {MEAN_DEVIATION:g} (Gunhan 2020)"
    return "of Jeffreys (of the median centre)"
