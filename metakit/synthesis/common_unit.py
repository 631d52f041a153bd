"""Answers under different measures in one unit: differences per 100 thumbs at one baseline, or points.

The smallest important difference of an outcome is in the same unit, so that shifts can be weighed against it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from metakit.core.effects import FloatArray
from metakit.errors import NotEstimableError
from metakit.measures.converting.carrying import carrier_for
from metakit.measures.kind import MEANS
from metakit.measures.registry import MEASURES, Measure
from metakit.synthesis.answers import AbsoluteEffect
from metakit.synthesis.gathering.rows import StudyNumbers
from metakit.synthesis.terms import OutcomeTerm

Converter = Callable[[str, str | None, FloatArray], FloatArray | None]
NOT_TO_BE_TURNED = "a {label} cannot be turned into the unit of the headline"


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonUnit:
    """The unit in which all answers to one question can be compared.

    `baseline` is a fraction (or a rate a thumb-year) for events, None for scores; `spread` and `comparator`
    are the median standard deviation and mean of the comparator arms, for standardised differences and
    ratios of means.
    """

    label: str
    baseline: float | None = None
    per_year: bool = False
    spread: float | None = None
    comparator: float | None = None

    def differences(self, measure: str, scale: str | None, values: FloatArray) -> FloatArray | None:
        """Return effects on the analysis scale as differences in this unit; None where there is no way.

        `values` are the estimate and limits of one answer. Where they do not fit the baseline they are
        carried as `carrier_for` does; a risk difference that fits no way has none.
        """
        entry = MEASURES[measure]
        with np.errstate(over="ignore"):
            natural = np.asarray(entry.scale(scale).to_natural(np.asarray(values, dtype=float)), dtype=float)
        if self.baseline is not None:
            if entry.at_baseline is None or entry.at_baseline.per_year != self.per_year:
                return None
            base = self.baseline
            try:
                carrier = carrier_for(measure, natural, base, per_year=self.per_year, home=base)
            except NotEstimableError:
                return None
            return 100 * (carrier.risk(natural, base) - base)
        if measure == "mean_difference":
            return natural
        if measure == "standardized_mean_difference" and self.spread:
            return natural * self.spread
        if measure == "ratio_of_means" and self.comparator:
            return (natural - 1.0) * self.comparator
        return None


def common_unit(
    measure: Measure, term: OutcomeTerm, absolute: AbsoluteEffect | None, studies: Sequence[StudyNumbers]
) -> CommonUnit | None:
    """Return the unit of a comparison, None without a baseline for its ratios.

    Parameters
    ----------
    measure : Measure
        The headline's.
    absolute : AbsoluteEffect or None
        The headline's effect per 100, with the baseline.
    studies : sequence of StudyNumbers
        The headline's.
    """
    if measure.kind is MEANS:
        others = [
            study.sides[1].numbers
            for study in studies
            if len(study.sides) > 1 and "sd" in study.sides[1].numbers
        ]
        return CommonUnit(
            label=term.unit or "points",
            spread=median(part["sd"] for part in others) if others else None,
            comparator=median(part["mean"] for part in others) if others else None,
        )
    if absolute is None:
        return None
    return CommonUnit(
        label=f"per 100 {absolute.unit}",
        baseline=absolute.baseline / 100,
        per_year=absolute.unit == "thumb-years",
    )
