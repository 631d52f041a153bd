"""The between-study variance estimators and the intervals, by name.

An entry is one kernel and the facts about it. To add one, write the kernel in `metakit.numerics` and
add it here; contract tests walk these registries whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from metakit.core.registry import Registry
from metakit.numerics import henmi_copas as _henmi_copas
from metakit.numerics import (
    likelihood,
    likelihood_intervals,
    mean_intervals,
    prediction,
    tau2,
    tau2_intervals,
)
from metakit.numerics.mean_intervals import MeanIntervalKernel
from metakit.numerics.prediction import PredictionKernel
from metakit.numerics.tau2 import Tau2Estimate
from metakit.numerics.tau2_intervals import Tau2IntervalKernel
from metakit.numerics.weights import Studies


@dataclass(frozen=True, slots=True, kw_only=True)
class Tau2Estimator:
    """One estimator of the between-study variance.

    `likelihood` says that it maximises a likelihood, which can have several maxima.
    """

    name: str
    label: str
    kernel: Callable[[Studies], Tau2Estimate]
    iterative: bool = False
    likelihood: bool = False
    references: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanIntervalMethod:
    """One interval for the mean effect.

    `own_tau2` names the estimator that the method is built on, whatever is asked for ("" for none).
    `common_weights` says that its mean is the common-effect mean.
    `common_effect` says that it also serves the common-effect model (tau2 = 0).
    `prediction` names the prediction interval that belongs to it: of the same standard error.
    """

    name: str
    label: str
    kernel: MeanIntervalKernel
    own_tau2: str = ""
    common_weights: bool = False
    common_effect: bool = False
    prediction: str = "higgins_thompson_spiegelhalter"
    references: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tau2IntervalMethod:
    """One interval for the between-study variance."""

    name: str
    label: str
    kernel: Tau2IntervalKernel
    references: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictionMethod:
    """One prediction interval. `options` are keywords of the kernel that a caller may set."""

    name: str
    label: str
    kernel: PredictionKernel
    options: tuple[str, ...] = ()
    references: tuple[str, ...]


TAU2_ESTIMATORS: Registry[Tau2Estimator] = Registry("between-study variance estimator")
MEAN_INTERVALS: Registry[MeanIntervalMethod] = Registry("interval for the mean")
TAU2_INTERVALS: Registry[Tau2IntervalMethod] = Registry("interval for the between-study variance")
PREDICTION_INTERVALS: Registry[PredictionMethod] = Registry("prediction interval")

for _entry in (
    Tau2Estimator(
        name="reml",
        label="restricted maximum likelihood",
        kernel=likelihood.reml,
        iterative=True,
        likelihood=True,
        references=("viechtbauer_2005", "veroniki_2016", "langan_2019"),
    ),
    Tau2Estimator(
        name="dersimonian_laird",
        label="DerSimonian and Laird",
        kernel=tau2.dersimonian_laird,
        references=("dersimonian_laird_1986",),
    ),
    Tau2Estimator(
        name="dersimonian_laird_two_step",
        label="two-step DerSimonian and Laird",
        kernel=tau2.dersimonian_laird_two_step,
        references=("dersimonian_kacker_2007",),
    ),
    Tau2Estimator(
        name="hedges_olkin",
        label="Hedges and Olkin",
        kernel=tau2.hedges_olkin,
        references=("hedges_olkin_1985",),
    ),
    Tau2Estimator(
        name="hedges_olkin_two_step",
        label="two-step Hedges and Olkin",
        kernel=tau2.hedges_olkin_two_step,
        references=("dersimonian_kacker_2007",),
    ),
    Tau2Estimator(
        name="paule_mandel",
        label="Paule and Mandel",
        kernel=tau2.paule_mandel,
        iterative=True,
        references=("paule_mandel_1982", "veroniki_2016"),
    ),
    Tau2Estimator(
        name="empirical_bayes",
        label="empirical Bayes (Morris)",
        kernel=tau2.empirical_bayes,
        iterative=True,
        references=("morris_1983",),
    ),
    Tau2Estimator(
        name="maximum_likelihood",
        label="maximum likelihood",
        kernel=likelihood.maximum_likelihood,
        iterative=True,
        likelihood=True,
        references=("hardy_thompson_1996", "viechtbauer_2005"),
    ),
    Tau2Estimator(
        name="sidik_jonkman",
        label="Sidik and Jonkman",
        kernel=tau2.sidik_jonkman,
        references=("sidik_jonkman_2005",),
    ),
    Tau2Estimator(
        name="hunter_schmidt",
        label="Hunter and Schmidt",
        kernel=tau2.hunter_schmidt,
        references=("hunter_schmidt_2004", "viechtbauer_2005"),
    ),
):
    TAU2_ESTIMATORS.add(_entry)

for _interval in (
    MeanIntervalMethod(
        name="hartung_knapp_floor",
        label="Hartung-Knapp with the variance factor not below 1",
        kernel=mean_intervals.hartung_knapp_floor,
        common_effect=True,
        prediction="hartung_knapp_floor",
        references=("hartung_knapp_2001", "rover_2015"),
    ),
    MeanIntervalMethod(
        name="hartung_knapp",
        label="Hartung-Knapp",
        kernel=mean_intervals.hartung_knapp,
        common_effect=True,
        prediction="hartung_knapp",
        references=("hartung_knapp_2001", "sidik_jonkman_2002"),
    ),
    MeanIntervalMethod(
        name="wald",
        label="Wald (normal quantile)",
        kernel=mean_intervals.wald,
        common_effect=True,
        references=("dersimonian_laird_1986",),
    ),
    MeanIntervalMethod(
        name="t",
        label="t quantile, k - 1 degrees of freedom",
        kernel=mean_intervals.t,
        common_effect=True,
        references=("follmann_proschan_1999",),
    ),
    MeanIntervalMethod(
        name="profile_likelihood",
        label="profile likelihood",
        kernel=likelihood_intervals.profile_likelihood,
        own_tau2="maximum_likelihood",
        references=("hardy_thompson_1996",),
    ),
    MeanIntervalMethod(
        name="henmi_copas",
        label="Henmi and Copas",
        kernel=_henmi_copas.henmi_copas,
        own_tau2="dersimonian_laird",
        common_weights=True,
        references=("henmi_copas_2010",),
    ),
):
    MEAN_INTERVALS.add(_interval)

for _tau2_interval in (
    Tau2IntervalMethod(
        name="q_profile",
        label="Q-profile",
        kernel=tau2_intervals.q_profile,
        references=("viechtbauer_2007",),
    ),
    Tau2IntervalMethod(
        name="generalised_q",
        label="generalised Q with weights 1 / standard error",
        kernel=tau2_intervals.generalised_q,
        references=("jackson_2013",),
    ),
    Tau2IntervalMethod(
        name="profile_likelihood",
        label="profile likelihood",
        kernel=likelihood_intervals.profile_likelihood_tau2,
        references=("hardy_thompson_1996",),
    ),
):
    TAU2_INTERVALS.add(_tau2_interval)

for _prediction in (
    PredictionMethod(
        name="higgins_thompson_spiegelhalter",
        label="t quantile, k - 2 degrees of freedom",
        kernel=prediction.higgins_thompson_spiegelhalter,
        references=("higgins_thompson_spiegelhalter_2009",),
    ),
    PredictionMethod(
        name="hartung_knapp",
        label="Hartung-Knapp form, k - 1 degrees of freedom",
        kernel=prediction.hartung_knapp_prediction,
        references=("partlett_riley_2017",),
    ),
    PredictionMethod(
        name="hartung_knapp_floor",
        label="Hartung-Knapp form with the variance factor not below 1, k - 1 degrees of freedom",
        kernel=prediction.hartung_knapp_floor_prediction,
        references=("partlett_riley_2017", "rover_2015"),
    ),
    PredictionMethod(
        name="bootstrap",
        label="parametric bootstrap",
        kernel=prediction.bootstrap_prediction,
        options=("draws", "seed"),
        references=("nagashima_2019",),
    ),
):
    PREDICTION_INTERVALS.add(_prediction)
