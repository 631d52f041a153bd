"""Fits of specifications: numbers gathered once a set, inverse variance in one kernel call a batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.records import StudyRecord
from metakit.errors import MetakitError
from metakit.measures.registry import MEASURES
from metakit.models.batch import random_effects_batch
from metakit.models.estimators import MEAN_INTERVALS
from metakit.synthesis.appraisal import concern_of
from metakit.synthesis.choices.specification_grid import DATA_CHOICES, INVERSE_VARIANCE
from metakit.synthesis.choices.specification_results import (
    NOT_APPLICABLE,
)
from metakit.synthesis.estimate import estimate
from metakit.synthesis.gathering.gather import Task, gather
from metakit.synthesis.gathering.rows import Gathered, StudyNumbers

Data = tuple[str, ...]
"""Options of the data choices, in their order: one set of numbers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One answer on the analysis scale of its measure, or the reason why there is none."""

    k: int
    estimate: float = np.nan
    lower: float = np.nan
    upper: float = np.nan
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Runner:
    """Gathers each set of numbers once and fits many combinations together."""

    task: Task
    studies: tuple[StudyRecord, ...]
    names: Mapping[str, str]
    cache: dict[Data, Gathered]

    def gathered(self, data: Data) -> Gathered:
        """Return the numbers under some options of the data choices."""
        if data not in self.cache:
            appraisal, design, icc, window = data
            outcome = self.task.plan.outcome
            kept = [
                study
                for study in self.studies
                if _admitted(concern_of(study, outcome), appraisal)
                and design in ("all_designs", study.design_group)
            ]
            choices = replace(self.task.choices, icc=float(icc))
            self.cache[data] = gather(replace(self.task, choices=choices, window=window), kept, self.names)
        return self.cache[data]

    def fit_all(self, rows: Sequence[Mapping[str, str]]) -> list[Fitted]:
        """Answer all combinations; those by inverse variance in batches of one kernel call each."""
        found: list[Fitted | None] = [None] * len(rows)
        batches: dict[tuple[str, str, str, str, str], list[int]] = {}
        for place, row in enumerate(rows):
            if row["model"] in INVERSE_VARIANCE:
                key = (row["measure"], row["model"], row["tau2"], row["interval"], row["zero_cells"])
                batches.setdefault(key, []).append(place)
            else:
                found[place] = self._fit_one(row)
        tables: dict[tuple[str, str, tuple[Data, ...]], tuple[FloatArray, FloatArray, BoolArray]] = {}
        for (measure, model, tau2, interval, policy), places in batches.items():
            sets = tuple(data_of(rows[place]) for place in places)
            if (measure, policy, sets) not in tables:
                tables[measure, policy, sets] = self.effects(measure, policy, sets)
            answers = _pool(*tables[measure, policy, sets], model, tau2, interval, self.task.plan.level)
            for place, answer in zip(places, answers, strict=True):
                found[place] = answer
        return [answer or Fitted(k=0, reason="not run") for answer in found]

    def effects(
        self, measure: str, policy: str, sets: Sequence[Data]
    ) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Return effects, variances and who is present, shape (sets, studies): one kernel call."""
        entry = MEASURES[measure]
        gathered = [self.gathered(data).studies for data in sets]
        everyone = list(dict.fromkeys(study.name for part in gathered for study in part))
        shape = (len(sets), max(len(everyone), 1))
        columns = {name: np.full(shape, np.nan) for name in entry.columns}
        for row, part in enumerate(gathered):
            for study in part:
                for name, value in study.columns(entry.columns).items():
                    columns[name][row, everyone.index(study.name)] = value
        scale = entry.scale(self._scale(measure)).name
        found = entry.kernel(columns, scale=scale, zero_cells="none" if policy == NOT_APPLICABLE else policy)
        present = found.estimable
        return np.where(present, found.effect, 0.0), np.where(present, found.variance, 1.0), present

    def _scale(self, measure: str) -> str | None:
        return self.task.plan.scale if measure == self.task.measure.name else None

    def _fit_one(self, row: Mapping[str, str]) -> Fitted:
        """Answer one combination by the model itself, with all that it refuses."""
        # The review's own inference, counts entering as they do in the headline.
        by_rule = row["model"] == "half_normal"
        uncorrected = "none" in MEASURES[row["measure"]].zero_cell_policies
        plan = replace(
            self.task.plan,
            measure=row["measure"],
            scale=self._scale(row["measure"]),
            model=None if by_rule else row["model"],
            tau2=None,
            interval=None,
            zero_cells=self.task.plan.zero_cells if by_rule else "none" if uncorrected else None,
        )
        studies: Sequence[StudyNumbers] = self.gathered(data_of(row)).studies
        if not studies:
            return Fitted(k=0, reason="no study is left")
        try:
            same = row["measure"] == self.task.measure.name
            task = replace(self.task, plan=plan, measure=MEASURES[row["measure"]])
            answer = estimate(task if same else replace(task, likelihood=""), studies)[1]
        except MetakitError as error:
            return Fitted(k=len(studies), reason=str(error))
        if answer.result is None:
            return Fitted(k=len(studies), reason=answer.reason)
        result = answer.result
        if not result.converged:
            return Fitted(k=result.k, reason="the fit did not settle")
        return Fitted(
            k=result.k, estimate=result.estimate, lower=result.interval.lower, upper=result.interval.upper
        )


def _admitted(concern: str, appraisal: str) -> bool:
    if appraisal == "without_high_concern":
        return concern != "high"
    return concern == "low" if appraisal == "low_concern_only" else True


def data_of(row: Mapping[str, str]) -> Data:
    """Return the options of the data choices of a combination."""
    return tuple(row[name] for name in DATA_CHOICES)


def _pool(
    effect: FloatArray,
    variance: FloatArray,
    present: BoolArray,
    model: str,
    tau2: str,
    interval: str,
    level: float,
) -> list[Fitted]:
    """Pool every row of a batch by inverse variance; one study alone has its own normal interval."""
    sizes = present.sum(axis=1)
    answers = [Fitted(k=0, reason="no study is left that has an effect")] * len(sizes)
    many = np.flatnonzero(sizes > 1) if model == "random_effects" else np.flatnonzero(sizes < 0)
    plain = np.flatnonzero((sizes == 1) if model == "random_effects" else (sizes > 0))
    if plain.size:
        weight = np.where(present[plain], 1 / variance[plain], 0.0)
        total = weight.sum(axis=1)
        centre = np.sum(weight * effect[plain], axis=1) / total
        reach = float(special.ndtri((1 + level) / 2)) / np.sqrt(total)
        for place, row in enumerate(plain):
            low, high = float(centre[place] - reach[place]), float(centre[place] + reach[place])
            answers[row] = Fitted(k=int(sizes[row]), estimate=float(centre[place]), lower=low, upper=high)
    if many.size:
        own = MEAN_INTERVALS[interval].own_tau2 or tau2
        found = random_effects_batch(
            effect[many],
            variance[many],
            present[many],
            tau2=own,
            interval=interval,
            prediction=None,
            level=level,
        )
        settled = found.tau2.converged & found.mean.converged
        for place, row in enumerate(many):
            k = int(sizes[row])
            if not settled[place]:
                answers[row] = Fitted(k=k, reason=f"the variance between studies did not settle ({own})")
                continue
            mean = found.mean
            answers[row] = Fitted(
                k=k,
                estimate=float(mean.estimate[place]),
                lower=float(mean.lower[place]),
                upper=float(mean.upper[place]),
            )
    return answers
