"""The variants of the one-stage model, by the measure they serve."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.registry import Registry
from metakit.numerics.of_counts import one_stage_models as models

Columns = tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OneStageVariant:
    """One variant: how raw counts become a likelihood, and the facts about it.

    `prepare` is None for the beta-binomial, which has no normal random effect. `informative` says which
    studies have something to say in this variant. `whole_counts` is True where the likelihood is defined for
    whole numbers only (not for effective numbers of correlated thumbs).
    """

    name: str
    label: str
    measures: tuple[str, ...]
    columns: tuple[str, ...]
    prepare: Callable[..., models.Prepared] | None
    informative: Callable[[Columns], BoolArray]
    reason_without_information: str = ""
    whole_counts: bool = False
    references: tuple[str, ...] = ()


def _every_study(columns: Columns) -> BoolArray:
    return np.ones(columns[0].shape, dtype=bool)


def _differing_counts(columns: Columns) -> BoolArray:
    """Say where the events of both arms could have fallen otherwise: not none, and not all."""
    events = columns[0] + columns[2]
    return np.asarray((events > 0) & (events < columns[1] + columns[3]))


def _any_event(columns: Columns) -> BoolArray:
    return np.asarray(columns[0] + columns[2] > 0)


_COUNTS = ("events_1", "total_1", "events_2", "total_2")
_RATES = ("events_1", "time_1", "events_2", "time_2")
_SILENT_COUNTS = (
    "no event, or nothing but events, in both arms: this variant conditions such a study away "
    "(beta_binomial and binomial_normal_random_study_intercepts keep it)"
)
_SILENT_RATES = (
    "no event in either arm: this variant conditions such a study away "
    "(poisson_normal_random_study_intercepts keeps it)"
)

ONE_STAGE_VARIANTS: Registry[OneStageVariant] = Registry("variant of the one-stage model")
for _variant in (
    OneStageVariant(
        name="binomial_normal",
        label="Binomial-normal (logit)",
        measures=("proportion",),
        columns=("events", "total"),
        prepare=models.binomial_normal,
        informative=_every_study,
        references=("stijnen_2010", "lin_chu_2020"),
    ),
    OneStageVariant(
        name="poisson_normal",
        label="Poisson-normal (log exposure)",
        measures=("rate",),
        columns=("events", "time"),
        prepare=models.poisson_normal,
        informative=_every_study,
        references=("stijnen_2010", "spittal_2015"),
    ),
    OneStageVariant(
        name="conditional_hypergeometric_normal",
        label="Conditional: non-central hypergeometric-normal",
        measures=("odds_ratio",),
        columns=_COUNTS,
        prepare=models.hypergeometric_normal,
        informative=_differing_counts,
        reason_without_information=_SILENT_COUNTS,
        whole_counts=True,
        references=("stijnen_2010", "jackson_2018"),
    ),
    OneStageVariant(
        name="binomial_normal_fixed_study_intercepts",
        label="Binomial-normal with fixed study intercepts",
        measures=("odds_ratio",),
        columns=_COUNTS,
        prepare=partial(models.two_arm_binomial_normal, random_intercepts=False),
        informative=_differing_counts,
        reason_without_information=_SILENT_COUNTS,
        references=("jackson_2018",),
    ),
    OneStageVariant(
        name="binomial_normal_random_study_intercepts",
        label="Binomial-normal with random study intercepts",
        measures=("odds_ratio",),
        columns=_COUNTS,
        prepare=partial(models.two_arm_binomial_normal, random_intercepts=True),
        informative=_every_study,
        references=("jackson_2018",),
    ),
    OneStageVariant(
        name="beta_binomial",
        label="Beta-binomial",
        measures=("risk_ratio", "risk_difference", "odds_ratio"),
        columns=_COUNTS,
        prepare=None,
        informative=_every_study,
        whole_counts=True,
        references=("kuss_2015",),
    ),
    OneStageVariant(
        name="conditional_binomial_normal",
        label="Conditional: binomial-normal",
        measures=("rate_ratio",),
        columns=_RATES,
        prepare=models.conditional_binomial_normal,
        informative=_any_event,
        reason_without_information=_SILENT_RATES,
        references=("stijnen_2010",),
    ),
    OneStageVariant(
        name="poisson_normal_fixed_study_intercepts",
        label="Poisson-normal with fixed study intercepts",
        measures=("rate_ratio",),
        columns=_RATES,
        prepare=partial(models.two_arm_poisson_normal, random_intercepts=False),
        informative=_any_event,
        reason_without_information=_SILENT_RATES,
        references=("stijnen_2010", "spittal_2015"),
    ),
    OneStageVariant(
        name="poisson_normal_random_study_intercepts",
        label="Poisson-normal with random study intercepts",
        measures=("rate_ratio",),
        columns=_RATES,
        prepare=partial(models.two_arm_poisson_normal, random_intercepts=True),
        informative=_every_study,
        references=("stijnen_2010", "spittal_2015"),
    ),
):
    ONE_STAGE_VARIANTS.add(_variant)


def variants_of(measure: str) -> tuple[OneStageVariant, ...]:
    """Return the variants that serve a measure, the default first."""
    return tuple(variant for variant in ONE_STAGE_VARIANTS if measure in variant.measures)
