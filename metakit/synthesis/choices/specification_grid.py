"""Which specifications there are: the choices of one analysis, their options, and their combinations."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from metakit.core.plans import SpecificationPlan
from metakit.core.results import PoolResult
from metakit.measures.registry import MEASURES
from metakit.models.estimators import MEAN_INTERVALS, TAU2_ESTIMATORS
from metakit.models.registry import MODELS
from metakit.synthesis.choices.sensitivity import suits
from metakit.synthesis.choices.specification_results import (
    NOT_APPLICABLE,
    SpecificationChoice,
    SpecificationOption,
)
from metakit.synthesis.gathering.gather import Task
from metakit.synthesis.gathering.windows import window

MOST = 2000
"""Combinations of one analysis unless the protocol sets another limit."""

LABELS = {
    "measure": "Effect measure",
    "model": "Model",
    "tau2": "Variance between studies",
    "interval": "Interval of the mean",
    "zero_cells": "Zero cells",
    "appraisal": "Concern about bias",
    "design": "Design",
    "icc": "Correlation of both thumbs",
    "window": "Time window",
}
"""The choices, in the order in which tables and figures show them."""

DATA_CHOICES = ("appraisal", "design", "icc", "window")
APPRAISALS = {
    "all_studies": "all studies",
    "without_high_concern": "without high concern",
    "low_concern_only": "low concern only",
}
DESIGNS = {
    "all_designs": "all designs",
    "randomised": "randomised trials only",
    "comparative": "comparative studies without randomisation only",
}
ZERO_CELLS = {
    "constant": "0.5 added to each cell of a study with an empty one",
    "treatment_arm": "a correction that depends on the sizes of the arms",
    "none": "left as they are",
}
INVERSE_VARIANCE = ("random_effects", "common_effect")

USUAL = SpecificationPlan(
    models=("random_effects", "common_effect", "mantel_haenszel"),
    tau2=("reml", "dersimonian_laird", "paule_mandel"),
    intervals=("hartung_knapp_floor", "hartung_knapp", "wald"),
    zero_cells=("constant", "treatment_arm"),
    appraisal=("all_studies", "without_high_concern"),
    designs=("all_designs", "randomised"),
    iccs=(0.0, 0.3, 0.5),
)
"""The usual set: what methods texts call defensible, and no more. Common practice, no source."""

USUAL_MEASURES = {
    "counts": ("risk_ratio", "odds_ratio", "risk_difference"),
    "rates": ("rate_ratio",),
    "means": ("mean_difference",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The choices of one analysis and the planned option of each."""

    choices: tuple[SpecificationChoice, ...]
    headline: Mapping[str, str]

    def options(self, choice: str) -> tuple[str, ...]:
        """Return the names of a choice's options."""
        return tuple(option.name for item in self.choices if item.name == choice for option in item.options)

    def without(self, dropped: Mapping[str, Sequence[str]]) -> Grid:
        """Return the grid without some options; the planned ones always stay."""
        choices = tuple(
            SpecificationChoice(
                name=item.name,
                label=item.label,
                options=tuple(
                    option
                    for option in item.options
                    if option.headline or option.name not in dropped.get(item.name, ())
                ),
            )
            for item in self.choices
        )
        return Grid(choices=choices, headline=self.headline)

    def combinations(self) -> Iterator[dict[str, str]]:
        """Yield every combination that exists, each once; what a model does not have is not applicable."""
        seen: set[tuple[str, ...]] = set()
        names = [choice.name for choice in self.choices]
        for options in itertools.product(*(self.options(name) for name in names)):
            row = settled(dict(zip(names, options, strict=True)))
            key = tuple(row.values())
            if _exists(row) and key not in seen:
                seen.add(key)
                yield row

    def capped(self, most: int) -> tuple[list[dict[str, str]], int]:
        """Return at most so many combinations, and how many there are.

        The planned one and all that differ from it in one choice always come first; of the others an evenly
        spaced selection.
        """
        every = list(self.combinations())
        if len(every) <= most:
            return every, len(every)

        def far(row: Mapping[str, str]) -> int:
            return sum(row[name] != self.headline[name] for name in row)

        near = [row for row in every if far(row) <= 1][:most]
        others = [row for row in every if far(row) > 1]
        room = most - len(near)
        kept = [others[place * len(others) // room] for place in range(room)] if room else []
        order = {tuple(row.values()): place for place, row in enumerate(every)}
        return sorted((*near, *kept), key=lambda row: order[tuple(row.values())]), len(every)


def settled(row: dict[str, str]) -> dict[str, str]:
    """Return a combination with `not_applicable` for what its model, interval or measure does not have."""
    found = dict(row)
    if found["model"] != "random_effects":
        found["tau2"] = found["interval"] = NOT_APPLICABLE
    elif found["interval"] in MEAN_INTERVALS and MEAN_INTERVALS[found["interval"]].own_tau2:
        found["tau2"] = NOT_APPLICABLE  # the interval brings its own estimator
    policies = MEASURES[found["measure"]].zero_cell_policies
    if found["model"] not in INVERSE_VARIANCE or policies == ("none",):
        found["zero_cells"] = NOT_APPLICABLE
    elif found["zero_cells"] not in policies or found["zero_cells"] == "none":
        found["zero_cells"] = next(policy for policy in policies if policy != "none")
    return found


def _exists(row: Mapping[str, str]) -> bool:
    """Say whether a model takes the measure, and random effects have an estimator and an interval."""
    if not suits(MODELS[row["model"]], MEASURES[row["measure"]]):
        return False
    if row["model"] != "random_effects":
        return True
    if row["interval"] not in MEAN_INTERVALS:
        return False
    return row["tau2"] in TAU2_ESTIMATORS or bool(MEAN_INTERVALS[row["interval"]].own_tau2)


def grid(task: Task, result: PoolResult, plan: SpecificationPlan) -> Grid:
    """Return the choices of an analysis with the options that fit it, the planned one of each first.

    Parameters
    ----------
    task : Task
        The analysis as planned.
    result : PoolResult
        Its headline answer; it tells which model, estimator and interval were used.
    plan : SpecificationPlan
        The declared options; the usual ones stand in for what it leaves empty.
    """
    measure = task.measure
    policy = measure.zero_cell_policy(task.plan.zero_cells)
    headline = settled(
        {
            "measure": measure.name,
            "model": result.model,
            "tau2": getattr(result, "tau2_estimator", "") or NOT_APPLICABLE,
            "interval": result.mean.method,
            "zero_cells": policy,
            "appraisal": "all_studies",
            "design": "all_designs",
            "icc": f"{task.choices.icc:g}",
            "window": task.window,
        }
    )
    measures = [
        name
        for name in plan.measures or USUAL_MEASURES.get(task.kind.name, ())
        if MEASURES[name].kind is measure.kind and MEASURES[name].arms == measure.arms
    ]
    models = [
        name
        for name in plan.models or USUAL.models
        if any(suits(MODELS[name], MEASURES[other]) for other in (measure.name, *measures))
    ]
    declared: dict[str, Sequence[str]] = {
        "measure": measures,
        "model": models,
        "tau2": plan.tau2 or USUAL.tau2,
        "interval": plan.intervals or USUAL.intervals,
        "zero_cells": [
            name
            for name in plan.zero_cells or USUAL.zero_cells
            if any(name in MEASURES[other].zero_cell_policies for other in (measure.name, *measures))
        ],
        "appraisal": plan.appraisal or USUAL.appraisal,
        "design": plan.designs or USUAL.designs,
        "icc": [f"{icc:g}" for icc in plan.iccs or USUAL.iccs],
        "window": plan.windows,
    }
    choices = tuple(
        SpecificationChoice(
            name=name,
            label=label,
            options=tuple(
                SpecificationOption(
                    name=option, label=option_label(name, option), headline=option == headline[name]
                )
                for option in dict.fromkeys((headline[name], *declared[name]))
            ),
        )
        for name, label in LABELS.items()
    )
    return Grid(choices=choices, headline=headline)


def option_label(choice: str, option: str) -> str:
    """Return an option in words."""
    if option == NOT_APPLICABLE:
        return "does not apply"
    if choice == "measure":
        return MEASURES[option].label
    if choice == "model":
        return MODELS[option].label
    if choice == "tau2":
        return TAU2_ESTIMATORS[option].label if option in TAU2_ESTIMATORS else option.replace("_", " ")
    if choice == "interval":
        return MEAN_INTERVALS[option].label if option in MEAN_INTERVALS else option.replace("_", " ")
    if choice == "window":
        return window(option).label
    tables = {"zero_cells": ZERO_CELLS, "appraisal": APPRAISALS, "design": DESIGNS}
    return tables[choice][option] if choice in tables else option
