"""What a pooling model is, and the registries of models, tau2 estimators and intervals."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from metakit.core.effects import EffectTable
from metakit.core.registry import Registry
from metakit.core.results import PoolResult


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolOptions:
    """The choices of one analysis; None means the default for the data at hand.

    `inference` is an entry of INFERENCES, `likelihood` one of LIKELIHOODS: the rule by which every number of
    a review is made, and how counts enter where that was decided for a whole comparison before. `beside` asks
    for the companions of the headline as well; analyses of a part or a variation go without. `intervals` asks
    a model with several intervals for all of them; without, for that of the answer alone.
    `extra` holds options that belong to a single model (a prior, a variant of a one-stage model).
    """

    level: float = 0.95
    tau2: str | None = None
    interval: str | None = None
    tau2_interval: str | None = None
    prediction: str | None = None
    inference: str | None = None
    likelihood: str | None = None
    beside: bool = True
    intervals: bool = True
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """One pooling model: a fit function and the facts about it.

    `families` lists the measure families whose raw data the model needs (empty: any table of effects).
    `measures` restricts further by name (empty: all of those families). `fewest` is the smallest number
    of studies it can be fitted to.
    """

    name: str
    label: str
    fit: Callable[[EffectTable, PoolOptions], PoolResult]
    families: tuple[str, ...] = ()
    measures: tuple[str, ...] = ()
    fewest: int = 1
    references: tuple[str, ...] = ()


MODELS: Registry[Model] = Registry(
    "pooling model",
    (
        "metakit.models.common_effect",
        "metakit.models.random_effects",
        "metakit.models.of_counts.stratified",
        "metakit.models.of_counts.one_stage",
        "metakit.models.posteriors.bayesian",
        "metakit.models.posteriors.half_normal",
        "metakit.models.multilevel",
    ),
)
