"""What a selection model answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from metakit.core.limits import Limits, TestStatistic
from metakit.models.small_studies.small_study_adjustments import (
    AdjustedEstimate,
    Side,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectionStep:
    """One interval of the one-sided p value (above `after`, up to `until`) and its relative weight.

    `weight` is the probability that a study of this interval was seen, relative to the first interval, where
    it is 1 by definition (no interval then).
    """

    after: float
    until: float
    studies: int
    weight: float
    interval: Limits | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectionModel(AdjustedEstimate):
    """Mean and spread of effects before selection; profile-likelihood interval of the mean.

    `unadjusted` is the maximum-likelihood mean without selection, `selection` the likelihood-ratio test that
    all weights are 1. `favoured` is the side whose small p values count as favoured.
    """

    method: ClassVar[str] = "selection_model"
    label: ClassVar[str] = "step-function selection model"

    favoured: Side
    steps: tuple[SelectionStep, ...]
    tau2: float
    unadjusted: float
    unadjusted_tau2: float
    wald_interval: Limits
    log_likelihood: float
    selection: TestStatistic

    def details(self) -> dict[str, Any]:
        """Return weights, spread and the test of selection."""
        return {
            "favoured": self.favoured,
            "steps": [
                {
                    "p_above": step.after,
                    "p_up_to": step.until,
                    "studies": step.studies,
                    "weight": step.weight,
                    "interval": list(step.interval) if step.interval else None,
                }
                for step in self.steps
            ],
            "tau2": self.tau2,
            "unadjusted": self.unadjusted,
            "unadjusted_tau2": self.unadjusted_tau2,
            "interval_method": "profile_likelihood",
            "wald_interval": list(self.wald_interval),
            "log_likelihood": self.log_likelihood,
            "selection_test": self.selection._asdict(),
        }
