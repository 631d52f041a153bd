"""Which priors a Bayesian analysis uses, in numbers and in words.

References
----------
Rover et al. (2021) for half-normal priors and the unit-information scale; Turner et al. (2015) for
log-normal priors of tau squared.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.registry import Registry
from metakit.errors import UsageError
from metakit.measures.kind import COUNTS, HAZARDS, RATES
from metakit.measures.registry import MEASURES
from metakit.numerics.posteriors import bayes_priors

OPTIONS = (
    "tau_prior",
    "tau_prior_scale",
    "tau_prior_location",
    "mean_prior_location",
    "mean_prior_scale",
    "threshold",
)
LOG_RATIO_SCALE = 0.5
"""Half-normal scale for log odds, risk, rate and hazard ratios (Rover 2021)."""
LEVEL_SCALE = 1.0
"""Half-normal scale for the level of one arm on a log or logit scale. Levels of different centres differ more
than contrasts within them, so the wider of the two values that Rover 2021 names is taken."""
UNIT_INFORMATION_SHARE = 1.0 / 8.0
"""Fraction of the unit-information standard deviation. That of a log odds ratio is about 4, so 1/8 of it
gives the familiar 0.5 (Rover 2021)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TauPriorKind:
    """One family of priors for tau: how to make it, and how to say it."""

    name: str
    label: str
    make: Callable[[float, float], bayes_priors.TauPrior]
    needs_location: bool = False
    references: tuple[str, ...] = ()


TAU_PRIORS: Registry[TauPriorKind] = Registry("prior of tau")
for _kind in (
    TauPriorKind(
        name="half_normal",
        label="half-normal with scale {scale:g}",
        make=lambda scale, location: bayes_priors.half_normal(scale),
        references=("rover_2021",),
    ),
    TauPriorKind(
        name="half_cauchy",
        label="half-Cauchy with scale {scale:g}",
        make=lambda scale, location: bayes_priors.half_cauchy(scale),
        references=("rover_2021",),
    ),
    TauPriorKind(
        name="uniform",
        label="uniform from 0 to {scale:g}",
        make=lambda scale, location: bayes_priors.uniform(scale),
        references=("rover_2021",),
    ),
    TauPriorKind(
        name="log_normal",
        label="log-normal of tau squared (ln tau^2 with mean {location:g} and standard deviation {scale:g})",
        make=lambda scale, location: bayes_priors.log_normal(location, scale),
        needs_location=True,
        references=("turner_2015",),
    ),
):
    TAU_PRIORS.add(_kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """The priors of one analysis; `origin` says where the scale comes from."""

    kind: TauPriorKind
    scale: float
    location: float = 0.0
    mean_location: float = 0.0
    mean_scale: float = math.inf
    origin: str = ""

    @property
    def tau(self) -> bayes_priors.TauPrior:
        """The prior of tau as a density."""
        return self.kind.make(self.scale, self.location)

    @property
    def mean_precision(self) -> float:
        """Precision of the prior of the mean; 0 is flat."""
        return 0.0 if math.isinf(self.mean_scale) else self.mean_scale**-2

    def times(self, factor: float) -> Priors:
        """Return the same priors with tau scaled by a factor."""
        if self.kind.needs_location:  # tau times f is ln tau^2 plus 2 ln f
            return replace(self, location=self.location + 2.0 * math.log(factor))
        return replace(self, scale=self.scale * factor)

    def words(self) -> str:
        """Say the prior of tau."""
        return self.kind.label.format(scale=self.scale, location=self.location)

    def sentence(self) -> str:
        """Say both priors in one sentence."""
        mean = "flat"
        if self.mean_precision > 0:
            mean = f"normal with mean {self.mean_location:g} and standard deviation {self.mean_scale:g}"
        origin = f" ({self.origin})" if self.origin else ""
        return f"Priors: tau {self.words()}{origin}; mean {mean} on the analysis scale."


def chosen_priors(effects: EffectTable, extra: Mapping[str, Any]) -> Priors:
    """Return the priors asked for, or the documented default of the measure.

    Raises
    ------
    UsageError
        For values that are no prior, and where a measure has no default scale.
    """
    unknown = sorted(set(extra) - set(OPTIONS))
    if unknown:
        raise UsageError(
            f"the bayesian model has no option {', '.join(unknown)}; it has {', '.join(OPTIONS)}"
        )
    kind = TAU_PRIORS[str(extra.get("tau_prior", "half_normal"))]
    given = extra.get("tau_prior_scale")
    location = _number(extra, "tau_prior_location") if kind.needs_location else 0.0
    if kind.needs_location and (given is None or location is None):
        raise UsageError(
            "a log_normal prior of tau needs tau_prior_location and tau_prior_scale, the mean and standard "
            "deviation of ln tau^2; Turner 2015 tables them by outcome and comparison"
        )
    if not kind.needs_location and extra.get("tau_prior_location") is not None:
        raise UsageError(f"a {kind.name} prior of tau has no location; state tau_prior_scale only")
    if given is None:
        if kind.name == "uniform":
            raise UsageError(
                "a uniform prior of tau needs its upper end as tau_prior_scale (may be infinite)"
            )
        scale, origin = _default_scale(effects)
    else:
        scale, origin = _positive(extra, "tau_prior_scale", infinite=kind.name == "uniform"), "as stated"
    mean_location, mean_scale = _number(extra, "mean_prior_location"), extra.get("mean_prior_scale")
    if (mean_location is None) != (mean_scale is None):
        raise UsageError("a normal prior of the mean needs both mean_prior_location and mean_prior_scale")
    return Priors(
        kind=kind,
        scale=scale,
        location=location or 0.0,
        mean_location=mean_location or 0.0,
        mean_scale=math.inf if mean_scale is None else _positive(extra, "mean_prior_scale"),
        origin=origin,
    )


def _number(extra: Mapping[str, Any], name: str) -> float | None:
    value = extra.get(name)
    if value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"{name} must be a number, not {value!r}")
    return number


def _positive(extra: Mapping[str, Any], name: str, *, infinite: bool = False) -> float:
    try:
        number = float(extra[name])
    except (TypeError, ValueError):
        number = math.nan
    if not number > 0 or (math.isinf(number) and not infinite):
        raise UsageError(f"{name} must be a number above 0, not {extra[name]!r}")
    return number


def _default_scale(effects: EffectTable) -> tuple[float, str]:
    """Return the default half-normal scale of a measure and the reason for it."""
    measure, scale = MEASURES[effects.measure], MEASURES[effects.measure].scale(effects.scale)
    by_rate = measure.kind in (COUNTS, RATES, HAZARDS)
    if measure.comparative and scale.name == "log" and by_rate:
        return LOG_RATIO_SCALE, "default for log ratios, Rover 2021"
    if not measure.comparative and scale.name in ("log", "logit", "complementary_log_log"):
        return LEVEL_SCALE, "default for the level of one arm on a log or logit scale, after Rover 2021"
    sizes = [column for name, column in effects.data.items() if name.split("_")[0] == "total"]
    if not sizes:
        raise UsageError(
            f"there is no default prior scale of tau for the measure {measure.name} without the sizes of "
            "the studies; state tau_prior_scale on the analysis scale: a half-normal prior of scale s "
            "holds that effects of two centres rarely differ by more than about 4 s (0.5 is usual for log "
            "ratios)"
        )
    usable = effects.estimable
    total = np.sum([column[usable] for column in sizes], axis=0)
    unit = math.sqrt(float(total.sum()) / float((1.0 / effects.variance[usable]).sum()))
    return unit * UNIT_INFORMATION_SHARE, (
        f"1/8 of the unit-information standard deviation {unit:.3g} of these studies, Rover 2021"
    )
