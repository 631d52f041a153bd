"""Means adjusted for small-study effects: sensitivity analyses, never the headline.

None of them knows why small studies differ. Each result says in a sentence what it cannot tell.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.limits import Limits
from metakit.core.registry import Registry
from metakit.errors import NotEstimableError, UsageError
from metakit.models.small_studies.small_study import FEWEST

FEWEST_AT_ALL = 5
"""Below it the regressions have fewer than 3 residual degrees of freedom: refused also when forced."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedEstimate:
    """What every adjustment answers, on the analysis scale.

    `cannot_tell` is the sentence that stands beside the number wherever it is shown.
    """

    method: ClassVar[str] = ""
    label: ClassVar[str] = ""

    k: int
    level: float
    estimate: float
    standard_error: float
    interval: Limits
    cannot_tell: str
    notes: tuple[str, ...] = ()

    def details(self) -> Mapping[str, Any]:
        """Return what this method adds to the shared answer."""
        return {}

    def to_json(self) -> dict[str, Any]:
        """Return the answer in the fixed form of the command line; an unbounded limit is None."""
        return {
            "standing": "sensitivity_analysis",
            "k": self.k,
            "level": self.level,
            "estimate": self.estimate,
            "standard_error": self.standard_error,
            "interval": [limit if np.isfinite(limit) else None for limit in self.interval],
            **self.details(),
            "notes": [self.cannot_tell, *self.notes],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustmentOptions:
    """Choices of an adjustment; what a method does not know it leaves alone.

    `tau2` is the estimator of a limit meta-analysis. `cut_points` are one-sided p values of a selection
    model; None takes the default, which is thinned where an interval holds no study. `favoured` is the side
    that selection is thought to favour; None takes, in a selection model, the side to which small studies
    lean, and in PET-PEESE that of the mean.
    """

    level: float = 0.95
    tau2: str = "reml"
    cut_points: tuple[float, ...] | None = None
    favoured: str | None = None


Side = Literal["higher", "lower"]


def stated_side(options: AdjustmentOptions) -> Side | None:
    """Return the side that somebody named as favoured, None where nobody did.

    Raises
    ------
    UsageError
        For any other word.
    """
    if options.favoured is None:
        return None
    if options.favoured == "higher":
        return "higher"
    if options.favoured == "lower":
        return "lower"
    raise UsageError(f"favoured effects are 'higher' or 'lower', not {options.favoured!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """One adjustment: a function of effects and variances, and what it cannot tell."""

    name: str
    label: str
    compute: Callable[[FloatArray, FloatArray, AdjustmentOptions], AdjustedEstimate]
    references: tuple[str, ...]


SMALL_STUDY_ADJUSTMENTS: Registry[Adjustment] = Registry(
    "adjustment for small-study effects",
    (
        "metakit.models.small_studies.pet_peese",
        "metakit.models.small_studies.selection_model",
        "metakit.models.small_studies.limit_meta_analysis",
    ),
)


def small_study_adjustment(
    table: EffectTable, name: str, *, force: bool = False, options: AdjustmentOptions | None = None
) -> AdjustedEstimate:
    """Adjust the mean of a table for small-study effects.

    Parameters
    ----------
    table : EffectTable
    name : str
        An entry of SMALL_STUDY_ADJUSTMENTS.
    force : bool
        Also with 5 to 9 studies.
    options : AdjustmentOptions, optional

    Raises
    ------
    NotEstimableError
        With fewer than 10 studies (unless forced), fewer than 5 at all, or studies of one precision.
    ConvergenceError
        When the likelihood of a selection model has no settled maximum.
    """
    chosen = SMALL_STUDY_ADJUSTMENTS[name]
    usable = table.select(table.estimable)
    k = len(usable)
    if k < FEWEST_AT_ALL or (k < FEWEST and not force):
        needed = FEWEST if k >= FEWEST_AT_ALL else FEWEST_AT_ALL
        raise NotEstimableError(
            f"{chosen.label}: {k} studies are too few to see how effects change with the size of studies "
            f"(at least {needed}); look at the funnel plot and do not read much into it"
        )
    if np.ptp(usable.variance) <= 1e-9 * float(np.max(usable.variance)):
        raise NotEstimableError(
            f"{chosen.label}: all studies have the same precision: there are no small ones to compare with"
        )
    found = chosen.compute(usable.effect, usable.variance, options or AdjustmentOptions())
    if k >= FEWEST:
        return found
    forced = f"Run all the same, as it was forced: {k} studies are too few for it (at least {FEWEST})."
    return replace(found, notes=(forced, *found.notes))
