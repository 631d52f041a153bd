"""PET-PEESE: the mean extrapolated to a study without sampling error (Stanley & Doucouliagos 2014)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.errors import NotEstimableError
from metakit.models.small_studies.small_study_adjustments import (
    SMALL_STUDY_ADJUSTMENTS,
    AdjustedEstimate,
    Adjustment,
    AdjustmentOptions,
    Side,
    stated_side,
)
from metakit.numerics.small_study import on_a_line, precision_regression

THRESHOLD = 0.05
"""One-sided p of the intercept of PET, in the favoured direction, below which PEESE is used (Stanley &
Doucouliagos 2014; from memory)."""

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
    """Both regressions; `chosen` says which of them is the estimate.

    `one_sided_p` is that of PET's intercept against effects on the `favoured` side.
    """

    method: ClassVar[str] = "pet_peese"
    label: ClassVar[str] = "PET-PEESE"

    pet: PrecisionLine
    peese: PrecisionLine
    chosen: str
    favoured: Side
    one_sided_p: float
    df: int

    def details(self) -> dict[str, Any]:
        """Return both regressions."""
        return {
            "chosen": self.chosen,
            "favoured": self.favoured,
            "one_sided_p": self.one_sided_p,
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
        `level`; `favoured` is the side on which an effect counts as genuine. Where nobody names one, it is
        that of the inverse-variance mean: the test then asks whether the effect that the studies show
        outlives the extrapolation, and an intercept on the other side keeps PET.

    Raises
    ------
    UsageError
        For an unknown side.
    NotEstimableError
        Where the effects lie exactly on a line.

    References
    ----------
    Stanley TD, Doucouliagos H (2014). Res Synth Methods 5:60-78.
    """
    stated = stated_side(options)
    favoured: Side = stated or ("lower" if np.average(effect, weights=1 / variance) < 0 else "higher")
    pet = _line(effect, variance, np.sqrt(variance), options.level)
    peese = _line(effect, variance, variance, options.level)
    toward = pet.statistic if favoured == "higher" else -pet.statistic
    one_sided = float(special.stdtr(len(effect) - 2, -toward))
    chosen = "peese" if one_sided < THRESHOLD else "pet"
    line = peese if chosen == "peese" else pet
    why = "lies" if chosen == "peese" else "does not lie"
    side = f"on the side of {favoured} effects{'' if stated else ', that of the mean,'}"
    return PetPeese(
        k=len(effect),
        level=options.level,
        estimate=line.estimate,
        standard_error=line.standard_error,
        interval=line.interval,
        cannot_tell=CANNOT_TELL,
        notes=(
            f"The intercept of PET {why} {side} at a one-sided p below {THRESHOLD:g}; the estimate is that "
            f"of {chosen.upper()}. Where effect and standard error are linked by arithmetic, as for ratios "
            "of rare events, both lean on that link.",
        ),
        pet=pet,
        peese=peese,
        chosen=chosen,
        favoured=favoured,
        one_sided_p=one_sided,
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
