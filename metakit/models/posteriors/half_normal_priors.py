"""The half-normal prior of tau that each measure gets, on its analysis scale.

References
----------
Friede et al. (2017) and Rover et al. (2021) for log ratios, for standardised differences and for the share of
the unit-information standard deviation; Gunhan et al. (2020) for the prior of a log odds or rate ratio.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import EffectTable
from metakit.errors import UsageError
from metakit.measures.kind import MEANS
from metakit.measures.registry import MEASURES
from metakit.models.posteriors.bayesian_priors import LEVEL_SCALE, LOG_RATIO_SCALE, UNIT_INFORMATION_SHARE

STANDARDISED_SCALE = 0.5
"""Of standardised mean differences, in standard deviations; also the share of the pooled standard deviation
that means and their differences get."""
MEAN_DEVIATION = 2.82
"""Standard deviation of the normal prior of a log ratio from counts (Gunhan 2020): it holds that ratios
beyond 250 to one are out of the question."""
GENERIC_SCALE = 0.5
LARGE_GENERIC_ERROR = 2.0
"""Typical standard error of a generic effect from which its unit is hardly a log ratio's: no source."""
OPTION = "tau_prior_scale"


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfNormalPrior:
    """Scale of the half-normal prior of tau, what it is in words, and a caution where one is due."""

    scale: float
    origin: str
    caution: str = ""

    def sentence(self, mean: str = "flat") -> str:
        """Say both priors in one sentence."""
        return (
            f"Priors: tau half-normal with scale {self.scale:.3g} ({self.origin}; tau below "
            f"{1.96 * self.scale:.3g} with 95 % prior probability); mean {mean} on the analysis scale."
        )


def half_normal_prior(table: EffectTable, stated: object = None) -> HalfNormalPrior | None:
    """Return the prior of tau for a table, or None where its measure and columns give no scale.

    Parameters
    ----------
    table : EffectTable
    stated : number, optional
        A scale to use instead.

    Raises
    ------
    UsageError
        When the stated scale is no number above 0.
    """
    if stated is not None:
        return HalfNormalPrior(scale=_positive(stated), origin="as stated")
    measure, scale = MEASURES[table.measure], MEASURES[table.measure].scale(table.scale)
    if measure.name == "generic":
        return HalfNormalPrior(scale=GENERIC_SCALE, origin="as for log ratios", caution=_generic(table))
    if measure.comparative and scale.name == "log":
        origin = "default for log ratios, Friede 2017 and Rover 2021"
        return HalfNormalPrior(scale=LOG_RATIO_SCALE, origin=origin)
    if measure.name == "standardized_mean_difference":
        return HalfNormalPrior(
            scale=STANDARDISED_SCALE, origin="default for standardised differences, Rover 2021"
        )
    if not measure.comparative and scale.name in ("log", "logit", "complementary_log_log"):
        return HalfNormalPrior(
            scale=LEVEL_SCALE, origin=f"default for one arm on the {scale.name} scale, after Rover 2021"
        )
    if measure.kind is MEANS:
        return _of_means(table)
    return _of_unit_information(table)


def _generic(table: EffectTable) -> str:
    error = float(np.median(np.sqrt(table.variance[table.estimable]))) if table.estimable.any() else 0.0
    text = (
        "Caution: the unit of these effects is not known. Tau is assumed as for log ratios; for effects in "
        f"points or other units state its prior scale ({OPTION})."
    )
    if error > LARGE_GENERIC_ERROR:
        text += f" A typical standard error of {error:.3g} is far more than log ratios have: state it."
    return text


def _of_means(table: EffectTable) -> HalfNormalPrior | None:
    """Take half of the pooled standard deviation of the studies."""
    data, squares, freedom = table.data, 0.0, 0.0
    for name, column in data.items():
        stem, _, arm = name.rpartition("_") if name[-2:] in ("_1", "_2") else (name, "", "")
        size = data.get(f"total_{arm}" if arm else "total")
        if stem not in ("sd", "sd_change") or size is None:
            continue
        known = table.estimable & np.isfinite(column) & (size > 1)
        squares += float(((size[known] - 1) * column[known] ** 2).sum())
        freedom += float((size[known] - 1).sum())
    if freedom <= 0 or squares <= 0:
        return None
    pooled = math.sqrt(squares / freedom)
    return HalfNormalPrior(
        scale=STANDARDISED_SCALE * pooled, origin=f"half of the pooled standard deviation {pooled:.3g}"
    )


def _of_unit_information(table: EffectTable) -> HalfNormalPrior | None:
    sizes = [column for name, column in table.data.items() if name.split("_")[0] == "total"]
    usable = table.estimable
    if not sizes or not usable.any():
        return None
    total = np.sum([column[usable] for column in sizes], axis=0)
    unit = math.sqrt(float(total.sum()) / float((1.0 / table.variance[usable]).sum()))
    return HalfNormalPrior(
        scale=unit * UNIT_INFORMATION_SHARE,
        origin=f"1/8 of the unit-information standard deviation {unit:.3g} of these studies, Rover 2021",
    )


def _positive(value: object) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        number = math.nan
    if not (number > 0 and math.isfinite(number)):
        raise UsageError(f"{OPTION} must be a number above 0, not {value!r}")
    return number
