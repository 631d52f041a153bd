"""How a review infers: the default for every number of it, and how counts enter.

An inference is chosen for a whole review, never for one outcome. Which likelihood the numbers enter by
follows from the measure and from how rare the event is in the whole comparison, decided once and then passed
on to every analysis of a part of it.

References
----------
Friede et al. (2017); Rover et al. (2021); Lilienthal et al. (2024); Rover, Knapp & Friede (2015).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, EffectTable
from metakit.core.registry import Registry
from metakit.measures.kind import COUNTS, RATES
from metakit.measures.registry import MEASURES

RARE = 0.05
"""Share of persons with the event below which counts enter by their conditional likelihood (a risk ratio),
and a risk difference is no headline: common practice of ours, no source."""
NEAR_RARE = (0.04, 0.06)
"""Between these shares both likelihoods of a risk ratio are shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inference:
    """One rule for every pooled number of a review."""

    name: str
    label: str
    about: str
    references: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Likelihood:
    """How the numbers of one study enter, given its own true effect."""

    name: str
    label: str
    references: tuple[str, ...]


INFERENCES: Registry[Inference] = Registry("inference")
INFERENCES.add(
    Inference(
        name="half_normal",
        label="random effects, spread between centres integrated over a half-normal prior",
        about="Effects are taken to differ between centres by a spread tau that is not estimated by one "
        "number but averaged over, with a half-normal prior; the interval is a credible one.",
        references=("friede_2017", "friede_2017_few", "rover_2021", "lilienthal_2024"),
    )
)
INFERENCES.add(
    Inference(
        name="hartung_knapp",
        label="random effects by restricted maximum likelihood, Hartung-Knapp interval with a floor",
        about="Tau is estimated by restricted maximum likelihood; the interval uses the t distribution on "
        "k - 1 degrees of freedom with a variance factor of at least 1. Two studies have no headline.",
        references=("rover_2015", "viechtbauer_2005"),
    )
)
DEFAULT_INFERENCE = "half_normal"

LIKELIHOODS: Registry[Likelihood] = Registry("likelihood")
for _likelihood in (
    Likelihood(
        name="normal",
        label="normal effects with known variances",
        references=("friede_2017", "rover_2021"),
    ),
    Likelihood(
        name="conditional_binomial",
        label="binomial, given each study's events in both arms",
        references=("cai_2010", "stijnen_2010"),
    ),
    Likelihood(
        name="conditional_hypergeometric",
        label="non-central hypergeometric, given each study's margins",
        references=("stijnen_2010",),
    ),
    Likelihood(
        name="stratified",
        label="none: differences of rare risks are averaged",
        references=("greenland_robins_1985", "noma_nagashima_2016"),
    ),
    Likelihood(name="binomial", label="binomial", references=("stijnen_2010",)),
    Likelihood(name="poisson", label="Poisson", references=("stijnen_2010",)),
):
    LIKELIHOODS.add(_likelihood)


def informative(table: EffectTable) -> BoolArray:
    """Return which studies carry information on the measure, before any zero-cell correction."""
    measure, data = MEASURES[table.measure], table.data
    if not set(measure.columns) <= set(data):
        return table.estimable
    if measure.arms == 1 and measure.kind.adds_up:
        return np.ones(len(table), dtype=bool)
    if measure.kind is RATES and measure.ratio:
        return data["events_1"] + data["events_2"] > 0
    if measure.kind is COUNTS and measure.scale(table.scale).name == "log":
        events = data["events_1"] + data["events_2"]
        return (events > 0) & (events < data["total_1"] + data["total_2"])
    return table.estimable


def overall_risk(table: EffectTable) -> float | None:
    """Return all events over all persons of the studies that carry information; None without counts."""
    columns = [table.data.get(name) for name in ("events_1", "total_1", "events_2", "total_2")]
    told = informative(table)
    if any(column is None for column in columns) or not told.any():
        return None
    a, n1, c, n2 = (float(np.sum(column[told])) for column in columns if column is not None)
    return (a + c) / (n1 + n2)


def serving(table: EffectTable) -> tuple[str, ...]:
    """Return the likelihoods by which these effects can enter, their own first."""
    own = likelihood_of(table)
    raw = set(MEASURES[table.measure].columns) <= set(table.data)
    more = ("conditional_binomial",) if raw and table.measure == "risk_ratio" else ()
    if raw and table.measure == "risk_difference":
        more = ("stratified",)
    return tuple(dict.fromkeys((own, "normal", *more)))


def _whole(table: EffectTable) -> bool:
    return all(bool(np.all(column == np.rint(column))) for column in table.data.values())


def likelihood_of(table: EffectTable) -> str:
    """Return the likelihood by which studies of this measure enter; one cell more or less decides nothing.

    Examples
    --------
    >>> from metakit.measures.tables import effect_sizes
    >>> rows = {"study": ["A"], "events_1": [1], "total_1": [90], "events_2": [3], "total_2": [88]}
    >>> likelihood_of(effect_sizes(rows, measure="risk_ratio"))
    'conditional_binomial'
    """
    measure = MEASURES[table.measure]
    if not set(measure.columns) <= set(table.data):
        return "normal"
    if table.zero_cells_named and table.zero_cells != "none":
        return "normal"  # somebody named a correction: only effects can be corrected
    if measure.name == "rate_ratio":
        return "conditional_binomial"
    if measure.name == "odds_ratio":
        # Its distribution is one of whole numbers; effective ones enter as effects.
        return "conditional_hypergeometric" if _whole(table) else "normal"
    if measure.name == "proportion" and table.scale == "logit":
        return "binomial"
    if measure.name == "rate" and table.scale == "log":
        return "poisson"
    risk = overall_risk(table)
    if measure.name == "risk_difference" and risk is not None and risk < RARE:
        return "stratified"
    if measure.name == "risk_ratio" and risk is not None and risk < RARE:
        return "conditional_binomial"
    return "normal"
