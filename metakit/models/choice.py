"""Which model answers when none is named: by measure and data, never by how much the studies differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import BoolArray, EffectTable
from metakit.errors import UsageError
from metakit.measures.kind import COUNTS, RATES
from metakit.measures.registry import MEASURES
from metakit.models.estimators import MEAN_INTERVALS
from metakit.models.one_stage_data import chosen_variant
from metakit.models.one_stage_intervals import INTERVALS as ONE_STAGE_INTERVALS
from metakit.models.registry import MODELS, PoolOptions

FEWEST_FOR_ONE_STAGE = 5
"""Two-arm studies from which a one-stage model is the default for sparse counts. With fewer its variance
rests on next to nothing, and Mantel-Haenszel stands on firmer ground (Military Med Res 2021, PMC8254431)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A model, why it was chosen, and the one that would also be accepted."""

    model: str
    why: str
    alternative: str = ""

    @property
    def note(self) -> str:
        """The sentence for the reader."""
        text = f"Model {self.model} was chosen: {self.why}."
        return f"{text} {self.alternative} would also be accepted." if self.alternative else text


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


def zero_cells(table: EffectTable) -> bool:
    """Whether a study has an arm without events, or with nothing but events where the measure minds that."""
    data = table.data
    events = [name for name in ("events", "events_1", "events_2") if name in data]
    empty = any(bool(np.any(data[name] == 0)) for name in events)
    if table.measure in ("odds_ratio", "proportion"):
        full = any(bool(np.any(data[name] == data[name.replace("events", "total")])) for name in events)
        return empty or full
    return empty


def choose(table: EffectTable, options: PoolOptions) -> Choice:
    """Choose the model for a table of at least two informative studies.

    Naming an option that only random effects by inverse variance has asks for them; else the choice
    follows from measure and data.
    """
    choice = _by_measure_and_data(table)
    named = [name for name in ("tau2", "tau2_interval", "prediction") if getattr(options, name) is not None]
    if options.interval not in (None, *_INTERVALS.get(choice.model, ("wald",))):
        named.append("interval")
    if named and choice.model != "random_effects":
        return Choice(model="random_effects", why=f"{named[0]} was named, which belongs to it")
    return choice


_INTERVALS = {"one_stage": ONE_STAGE_INTERVALS, "random_effects": tuple(MEAN_INTERVALS.names())}
"""Intervals that a model takes when it is chosen by default; the others take Wald's."""


def _by_measure_and_data(table: EffectTable) -> Choice:
    """Choose by the kind of numbers, how sparse they are, and how many studies there are.

    Raw counts of one arm go to a one-stage model, which needs no correction; so do sparse two-arm counts
    when studies are many; with few they go to Mantel-Haenszel, which needs none either. Two studies get a
    common effect. All else is random effects.
    """
    measure = MEASURES[table.measure]
    k = int(np.count_nonzero(informative(table)))
    if table.measure == "peto_odds_ratio":
        return Choice(model="peto", why="the measure is Peto's odds ratio", alternative="random_effects")
    one_stage = _serves("one_stage", table)
    if measure.arms == 1 and one_stage and (k > 2 or _nothing_to_compare(table)):
        return Choice(
            model="one_stage",
            why=f"a {measure.label} is pooled best from the counts themselves, without correction",
            alternative="random_effects",
        )
    if measure.arms == 2 and zero_cells(table):
        if one_stage and k >= FEWEST_FOR_ONE_STAGE:
            return Choice(
                model="one_stage",
                why=f"some arms have no events, and with {k} studies a one-stage model needs no correction",
                alternative="mantel_haenszel" if _serves("mantel_haenszel", table) else "random_effects",
            )
        if _serves("mantel_haenszel", table):
            return Choice(
                model="mantel_haenszel",
                why=f"some arms have no events, it needs no correction, and {k} studies are too few to "
                "estimate how they differ from such counts (a common effect is assumed)",
                alternative="one_stage" if one_stage and k > 2 else "random_effects",
            )
    if k == 2:
        return Choice(
            model="common_effect",
            why="two studies cannot show how effects differ between centres",
            alternative="bayesian" if _serves("bayesian", table) else "random_effects",
        )
    return Choice(
        model="random_effects",
        why="true effects are expected to differ between centres",
        alternative="common_effect",
    )


def _nothing_to_compare(table: EffectTable) -> bool:
    """Whether a one-arm table has no event at all, or nothing but events."""
    events = float(table.data["events"].sum())
    return events == 0 or ("total" in table.data and events == float(table.data["total"].sum()))


def _serves(model: str, table: EffectTable) -> bool:
    """Whether the model is there, takes this measure, and finds the raw columns and scale it needs."""
    if model not in MODELS:
        return False
    entry, measure = MODELS[model], MEASURES[table.measure]
    if entry.families and (
        measure.family not in entry.families or not set(measure.columns) <= set(table.data)
    ):
        return False
    if entry.measures and measure.name not in entry.measures:
        return False
    if model != "one_stage":
        return True
    return _has_variant(table) if measure.arms == 2 else table.scale == measure.scales[0].name


def _has_variant(table: EffectTable) -> bool:
    """Whether a variant of the one-stage model takes these counts, which may be effective numbers."""
    try:
        chosen_variant(table, {})
    except UsageError:
        return False
    return True
