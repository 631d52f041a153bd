"""How far the evidence must move before another technique comes out first.

Source: Phillippo 2019 (threshold analysis): each arm is shifted alone, all else as it is, until the best
technique changes. Linear, so that the threshold has a closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from metakit.networks.model import NetworkPart, membership
from metakit.numerics.networks.arm_regression import starts_of

ROUNDING = 1e-9
"""An influence smaller than this share of the largest is rounding: the arm moves both techniques alike."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One study's arm against the rest of its study: shifts (down, up) at which the best technique changes.

    Infinite where no shift of this arm changes it; `next_down` and `next_up` name who would come first.
    `in_standard_errors` is the smaller shift over the standard error of the arm's value.
    """

    study: str
    technique: str
    down: float
    up: float
    next_down: str
    next_up: str
    in_standard_errors: float


def thresholds(part: NetworkPart, *, lower_is_better: bool) -> tuple[Threshold, ...]:
    """Return one row an arm, the most fragile first."""
    arms = part.arms
    sign = -1.0 if lower_is_better else 1.0
    goodness = sign * part.effects
    best = int(np.argmax(goodness))
    x = membership(arms, part.techniques)
    weight = 1.0 / (arms.variance + part.tau2 / 2.0)
    starts = starts_of(arms.study_index)
    runs = np.diff(np.concatenate((starts, [len(arms.study)])))
    total = np.repeat(np.add.reduceat(weight, starts), runs)
    # Effect of one arm's value on the estimates: covariance times the arm's centred, weighted row.
    mean_x = np.repeat(np.add.reduceat(weight[:, None] * x, starts, axis=0), runs, axis=0) / total[:, None]
    influence = sign * part.covariance @ (weight[:, None] * (x - mean_x)).T
    nothing = ROUNDING * float(np.max(np.abs(influence)))
    rows = []
    for row, (study, technique) in enumerate(zip(arms.study, arms.technique, strict=True)):
        lead = goodness[best] - np.delete(goodness, best)
        change = np.delete(influence[:, row], best) - influence[best, row]
        others = np.delete(np.array(part.techniques), best)
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.where(np.abs(change) > nothing, lead / change, np.inf)
        up, next_up = _nearest(np.where(shift > 0, shift, np.inf), others)
        down, next_down = _nearest(np.where(shift < 0, -shift, np.inf), others)
        rows.append(
            Threshold(
                study=study,
                technique=technique,
                down=-down,
                up=up,
                next_down=next_down,
                next_up=next_up,
                in_standard_errors=min(up, down) / math.sqrt(float(arms.variance[row])),
            )
        )
    return tuple(sorted(rows, key=lambda item: item.in_standard_errors))


def _nearest(shift: np.ndarray, names: np.ndarray) -> tuple[float, str]:
    place = int(np.argmin(shift))
    return (float(shift[place]), str(names[place])) if np.isfinite(shift[place]) else (math.inf, "")
