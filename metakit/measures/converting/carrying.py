"""How an effect is carried to a baseline that it may not fit: never cut, carried over otherwise, or refused.

A risk ratio times a baseline can pass 100 in 100, a risk difference can fall below 0. Such an effect is
carried on a scale that cannot leave 0 to 100, with the reason, or refused with both numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import FloatArray
from metakit.core.written import per_100, ratio, signed
from metakit.errors import NotEstimableError
from metakit.measures.absolute import effect_needed, risk_with
from metakit.measures.registry import MEASURES

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """The way from an effect (in natural units) and a baseline to a risk or rate, and back.

    `measure` is the way in fact used, a measure with `at_baseline`. `home` is set where a risk difference is
    carried as the ratio that it is at this baseline, the one of its own studies. `without` says that
    a ratio is one of those without the event. `reason` says why another way than the effect's own was taken,
    "" where none was.
    """

    measure: str
    home: float | None = None
    without: bool = False
    reason: str = ""

    def risk(self, effect: ArrayLike, baseline: ArrayLike) -> FloatArray:
        """Return the risk, or rate, with the technique."""
        size = np.asarray(effect, dtype=float)
        if self.home is not None:
            size = np.maximum((self.home + size) / self.home, 0.0)
        if self.without:
            return 1 - risk_with(self.measure, size, 1 - np.asarray(baseline, dtype=float))
        return risk_with(self.measure, size, baseline)

    def effect(self, difference: ArrayLike, baseline: ArrayLike) -> FloatArray:
        """Return the effect that makes a difference at a baseline; see `effect_needed`."""
        if self.without:
            lost = -np.asarray(difference, dtype=float)
            return effect_needed(self.measure, lost, 1 - np.asarray(baseline, dtype=float))
        size = effect_needed(self.measure, difference, baseline)
        return size if self.home is None else self.home * (size - 1)


def carrier_for(
    measure: str, effects: ArrayLike, baseline: float, *, per_year: bool = False, home: float | None = None
) -> Carrier:
    """Return how effects are carried to a baseline.

    Parameters
    ----------
    measure : str
        Name of a measure with `at_baseline`.
    effects : array_like
        In natural units: the estimate and the limits that will be shown.
    baseline : float
        Risk as a fraction, or a rate.
    per_year : bool
        Whether it is a rate, which has no upper end.
    home : float, optional
        The baseline of the studies that a risk difference comes from.

    Raises
    ------
    NotEstimableError
        For a risk difference that fits neither this baseline nor, with all its limits, that of its own
        studies; the message names both numbers.

    Notes
    -----
    A ratio that does not fit is carried as a ratio of hazards, 1 - (1 - baseline)^ratio: equal to the ratio
    of risks where risks are small, and never beyond 1. The choice is the project's own; no source.

    Examples
    --------
    >>> carrier_for("risk_ratio", [2.0, 1.2, 3.1], 0.20).measure
    'risk_ratio'
    >>> carrier_for("risk_ratio", [2.0, 1.2, 6.0], 0.20).measure
    'hazard_ratio'
    """
    sizes = np.asarray(effects, dtype=float)
    risks = risk_with(measure, sizes, baseline)
    if per_year or _possible(risks):
        return Carrier(measure=measure)
    entry = MEASURES[measure]
    worst = int(np.argmax(np.abs(np.clip(risks, 0, 1) - risks)))
    if not entry.ratio:
        return _difference(sizes, baseline, home, worst)
    return Carrier(
        measure="hazard_ratio",
        without=entry.larger_means == "fewer",
        reason=f"A {entry.label} of {ratio(float(sizes[worst]))} does not fit a baseline of "
        f"{_of_100(baseline)} in 100 (it would be {_of_100(float(risks[worst]))} in 100), so all were "
        "carried over as ratios of hazards, on which no risk passes 100 in 100.",
    )


def _difference(sizes: FloatArray, baseline: float, home: float | None, worst: int) -> Carrier:
    size, shown = float(sizes[worst]), signed(100 * float(sizes[worst]))
    start = f"A risk difference of {shown} per 100 does not fit a baseline of {_of_100(baseline)} in 100"
    if home is None or home <= 0 or not _possible(home + sizes):
        own = f", nor that of its own studies ({_of_100(home or 0.0)} in 100) with its limits"
        other = "" if home is None or home == baseline else own
        raise NotEstimableError(f"{start[:1].lower()}{start[1:]} ({_of_100(baseline + size)} in 100){other}")
    ratios = np.maximum((home + sizes) / home, 0.0)
    fits = _possible(ratios * baseline)
    what = "ratios" if fits else "ratios of hazards"
    return Carrier(
        measure="risk_ratio" if fits else "hazard_ratio",
        home=home,
        reason=f"{start} (it would be {_of_100(baseline + size)} in 100), so all were carried over as the "
        f"{what} that they are at the baseline of their own studies, {_of_100(home)} in 100.",
    )


def _possible(risks: FloatArray) -> bool:
    return bool(np.all(np.isfinite(risks)) and np.all((risks >= -_ROUNDING) & (risks <= 1 + _ROUNDING)))


def _of_100(risk: float) -> str:
    return "∞" if math.isinf(risk) else per_100(100 * risk)
