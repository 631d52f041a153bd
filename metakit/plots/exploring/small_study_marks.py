"""What small-study methods add to a funnel: a line, and the studies that trim and fill would add."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.registry import Registry
from metakit.models.small_studies.limit_meta_analysis import LimitMetaAnalysis
from metakit.models.small_studies.pet_peese import PetPeese
from metakit.models.small_studies.small_study import small_study_test
from metakit.models.small_studies.small_study_adjustments import small_study_adjustment
from metakit.models.small_studies.trim_and_fill import TrimAndFill, trim_and_fill
from metakit.numerics.meta_regression import regress
from metakit.plots.forests.content import FunnelLine, FunnelPoint

STEPS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class LineEntry:
    """One kind of line: a function of a table and standard errors that gives expected effects."""

    name: str
    label: str
    expected: Callable[[EffectTable, FloatArray], FloatArray]


FUNNEL_LINES: Registry[LineEntry] = Registry("line of a funnel")


def funnel_line(table: EffectTable, name: str) -> FunnelLine:
    """Return the effect that a small-study method expects at each standard error.

    Raises
    ------
    NotEstimableError
        Where the method itself is refused: fewer than 10 studies, or studies of one precision.
    UnknownNameError
        With the nearest names.
    """
    entry = FUNNEL_LINES[name]
    usable = table.select(table.estimable)
    errors = np.linspace(0.0, float(np.sqrt(usable.variance.max())), STEPS + 1)
    expected = entry.expected(usable, errors)
    return FunnelLine(label=entry.label, points=tuple(zip(expected.tolist(), errors.tolist(), strict=True)))


def added_points(table: EffectTable, filled: TrimAndFill | None = None) -> tuple[FunnelPoint, ...]:
    """Return the studies that trim and fill would add."""
    usable = table.select(table.estimable)
    found = filled or trim_and_fill(usable.effect, usable.variance)
    return tuple(
        FunnelPoint(study=f"added {number}", effect=effect, standard_error=math.sqrt(variance))
        for number, (effect, variance) in enumerate(found.filled, 1)
    )


def _egger(table: EffectTable, errors: FloatArray) -> FloatArray:
    small_study_test(table, "egger")  # refuses few studies and measures whose effect and error are linked
    design = np.column_stack((np.ones(len(table)), np.sqrt(table.variance)))
    level, slope = regress(table.effect, 1 / table.variance, design).coefficients.tolist()
    line: FloatArray = level + slope * errors
    return line


def _pet_peese(table: EffectTable, errors: FloatArray) -> FloatArray:
    found = small_study_adjustment(table, "pet_peese")
    assert isinstance(found, PetPeese)  # noqa: S101 - the registry's own type
    line: FloatArray = (
        found.pet.estimate + found.pet.slope * errors
        if found.chosen == "pet"
        else found.peese.estimate + found.peese.slope * errors**2
    )
    return line


def _limit(table: EffectTable, errors: FloatArray) -> FloatArray:
    found = small_study_adjustment(table, "limit_meta_analysis")
    assert isinstance(found, LimitMetaAnalysis)  # noqa: S101 - the registry's own type
    level = found.estimate - math.sqrt(found.tau2) * found.bias
    line: FloatArray = level + found.bias * np.sqrt(errors**2 + found.tau2)
    return line


for _entry in (
    LineEntry(name="egger", label="Egger’s regression", expected=_egger),
    LineEntry(name="pet_peese", label="PET-PEESE", expected=_pet_peese),
    LineEntry(name="limit_meta_analysis", label="limit meta-analysis", expected=_limit),
):
    FUNNEL_LINES.add(_entry)
