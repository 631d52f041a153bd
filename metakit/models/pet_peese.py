"""PET-PEESE: the mean extrapolated to a study without sampling error (Stanley & Doucouliagos 2014)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.results import Limits
from metakit.errors import NotEstimableError
from metakit.models.small_study_adjustments import (
    SMALL_STUDY_ADJUSTMENTS,
    AdjustedEstimate,
    Adjustment,
    AdjustmentOptions,
)
from metakit.numerics.small_study import on_a_line, precision_regression

THRESHOLD = 0.10
"""Two-sided p of the intercept of PET below which PEESE is used (one-sided 5 %; common practice)."""

CANNOT_TELL = (
    "Sensitivity analysis: PET-PEESE carries the line through the studies on to a study without sampling "
    "error, which nobody did. It cannot tell whether small studies differ because some were never reported "
    "or because they truly differ."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionLine:
    """One of the two regressions; t tests on k - 2 degrees of freedom.

    `estimate` is the intercept: the effect expected without sampling error. `slope` is per unit of standard
    error (PET) or of variance (PEESE).
    """

    estimate: float
    standard_error: float
    interval: Limits
    statistic: float
    p_value: float
    slope: float
    slope_standard_error: float
    slope_p_value: float

    def to_json(self) -> dict[str, Any]:
        """Return the line as JSON."""
        return {
            "estimate": self.estimate,
            "standard_error": self.standard_error,
            "interval": list(self.interval),
            "statistic": self.statistic,
            "p_value": self.p_value,
            "slope": self.slope,
            "slope_standard_error": self.slope_standard_error,
            "slope_p_value": self.slope_p_value,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PetPeese(AdjustedEstimate):
    """Both regressions; `chosen` says which of them is the estimate."""

    method: ClassVar[str] = "pet_peese"
    label: ClassVar[str] = "PET-PEESE"

    pet: PrecisionLine
    peese: PrecisionLine
    chosen: str
    df: int

    def details(self) -> dict[str, Any]:
        """Return both regressions."""
        return {
            "chosen": self.chosen,
            "df": self.df,
            "pet": self.pet.to_json(),
            "peese": self.peese.to_json(),
        }


def pet_peese(effect: FloatArray, variance: FloatArray, options: AdjustmentOptions) -> PetPeese:
    """Regress effects on their standard errors (PET) and on their variances (PEESE).

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
    options : AdjustmentOptions
        `level`.
    """
    pet = _line(effect, variance, np.sqrt(variance), options.level)
    peese = _line(effect, variance, variance, options.level)
    chosen = "peese" if pet.p_value < THRESHOLD else "pet"
    line = peese if chosen == "peese" else pet
    why = "differs" if chosen == "peese" else "does not differ"
    return PetPeese(
        k=len(effect),
        level=options.level,
        estimate=line.estimate,
        standard_error=line.standard_error,
        interval=line.interval,
        cannot_tell=CANNOT_TELL,
        notes=(
            f"The intercept of PET {why} from no difference at p below {THRESHOLD:g}; the estimate is that "
            f"of {chosen.upper()}. Where effect and standard error are linked by arithmetic, as for ratios "
            "of rare events, both lean on that link.",
        ),
        pet=pet,
        peese=peese,
        chosen=chosen,
        df=len(effect) - 2,
    )


def _line(effect: FloatArray, variance: FloatArray, predictor: FloatArray, level: float) -> PrecisionLine:
    found = precision_regression(effect, variance, predictor)
    free = len(effect) - 2
    if on_a_line(float(found.dispersion) * free, effect, 1 / variance):
        raise NotEstimableError(
            "PET-PEESE: the effects lie exactly on a line: there is no error to judge its intercept by"
        )
    estimate, error = float(found.intercept), float(found.intercept_error)
    reach = float(special.stdtrit(free, (1 + level) / 2)) * error
    slope, slope_error = float(found.slope), float(found.slope_error)
    return PrecisionLine(
        estimate=estimate,
        standard_error=error,
        interval=Limits(estimate - reach, estimate + reach),
        statistic=estimate / error,
        p_value=2 * float(special.stdtr(free, -abs(estimate / error))),
        slope=slope,
        slope_standard_error=slope_error,
        slope_p_value=2 * float(special.stdtr(free, -abs(slope / slope_error))),
    )


SMALL_STUDY_ADJUSTMENTS.add(
    Adjustment(
        name="pet_peese",
        label=PetPeese.label,
        compute=pet_peese,
        references=("stanley_doucouliagos_2014",),
    )
)
