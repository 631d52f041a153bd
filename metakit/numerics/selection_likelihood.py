"""Likelihood of random effects whose studies were seen with a probability that depends on their p value.

The weight of a study is constant within intervals of its one-sided p value: a step function. Positive effects
are the favoured ones; turn the signs for the other side.

References
----------
Vevea JL, Hedges LV 1995, Psychometrika 60:419-435; Hedges LV 1992, Stat Sci 7:246-255 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from metakit.core.effects import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteppedStudies:
    """Studies prepared for the likelihood.

    effect, variance : shape (k,). step : shape (k,), interval of each study's one-sided p value, 0 for the
    smallest p values. bounds : shape (k, steps + 1), the effects at which a study of this precision would
    change its interval, falling from infinity to minus infinity.
    """

    effect: FloatArray
    variance: FloatArray
    step: NDArray[np.intp]
    bounds: FloatArray

    @property
    def steps(self) -> int:
        """Number of intervals of the p value."""
        return int(self.bounds.shape[1]) - 1

    @property
    def counts(self) -> NDArray[np.intp]:
        """Studies in each interval, shape (steps,)."""
        return np.bincount(self.step, minlength=self.steps)


def one_sided_p(effect: FloatArray, variance: FloatArray) -> FloatArray:
    """Return the p values of a test against effects of zero or below, in the shape of the arguments."""
    return np.asarray(special.ndtr(-effect / np.sqrt(variance)), dtype=float)


def stepped(effect: FloatArray, variance: FloatArray, cuts: FloatArray) -> SteppedStudies:
    """Prepare studies; `cuts` are rising p values, the upper ends of all intervals but the last."""
    error = np.sqrt(variance)
    inner = -error[:, None] * special.ndtri(cuts)[None, :]
    edge = np.full((len(effect), 1), np.inf)
    return SteppedStudies(
        effect=effect,
        variance=variance,
        step=np.searchsorted(cuts, one_sided_p(effect, variance), side="left"),
        bounds=np.hstack((edge, inner, -edge)),
    )


def log_likelihood(
    studies: SteppedStudies, mean: float, tau2: float, log_weight: FloatArray
) -> tuple[float, FloatArray]:
    """Return the log-likelihood and its slopes.

    Parameters
    ----------
    studies : SteppedStudies
    mean, tau2 : float
        Of the effects before selection; tau2 >= 0.
    log_weight : ndarray, shape (steps,)
        Logarithm of the probability of being seen, relative to the first interval (whose entry is 0).

    Returns
    -------
    tuple of float and ndarray, shape (2 + steps,)
        Slopes by mean, tau2 and every log weight (also the first).
    """
    total = studies.variance + tau2
    root = np.sqrt(total)
    far = studies.effect - mean
    place = (studies.bounds - mean) / root[:, None]
    density = np.exp(-0.5 * place**2) / np.sqrt(2 * np.pi)
    pulled = np.where(np.isfinite(place), place, 0.0) * density
    # Differences of the smaller tails, so that nothing is lost far from the mean.
    upper, lower = place[:, :-1], place[:, 1:]
    chance = np.where(
        lower > 0, special.ndtr(-lower) - special.ndtr(-upper), special.ndtr(upper) - special.ndtr(lower)
    )
    weight = np.exp(log_weight)
    seen = chance @ weight
    value = float(
        np.sum(log_weight[studies.step])
        - 0.5 * np.sum(np.log(2 * np.pi * total) + far**2 / total)
        - np.sum(np.log(seen))
    )
    by_mean = (density[:, 1:] - density[:, :-1]) / root[:, None]
    by_tau2 = (pulled[:, 1:] - pulled[:, :-1]) / (2 * total[:, None])
    slopes = np.concatenate(
        (
            [np.sum(far / total - by_mean @ weight / seen)],
            [np.sum(0.5 * (far**2 / total - 1) / total - by_tau2 @ weight / seen)],
            studies.counts - np.sum(chance * weight / seen[:, None], axis=0),
        )
    )
    return value, slopes
