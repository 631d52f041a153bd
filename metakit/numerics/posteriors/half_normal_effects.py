"""Normal effects with a half-normal spread: median, limits, new centre, spread, for many analyses at once.

References
----------
Friede et al. (2017); Rover et al. (2021); Higgins, Thompson & Spiegelhalter (2009) for the new centre.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.posteriors.half_normal import Given, TauMixture, mix_over_tau
from metakit.numerics.posteriors.mixtures import NormalMixturePosterior
from metakit.numerics.weights import IndexArray

CHUNK = 1 << 16
"""Numbers (studies times nodes) worked on at once, so that a batch stays in the processor's cache."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HalfNormalAnswers:
    """Posterior of the mean, of the effect in a new centre, and of the spread; every array a batch shape.

    Parameters
    ----------
    median, lower, upper : ndarray
        Of the mean effect: posterior median and equal-tailed limits.
    mean, deviation : ndarray
        Posterior mean and standard deviation of the mean effect.
    new_lower, new_upper : ndarray
        Equal-tailed limits of the effect in a new centre.
    above, new_above : ndarray
        Probabilities that the mean, and the effect in a new centre, lie above the threshold.
    tau, tau_lower, tau_upper : ndarray
        Posterior median and equal-tailed limits of tau; NaN when `spread` was False.
    share : ndarray, shape (..., k)
        Posterior expectation of the weights of the studies in the mean; they add up to 1 less the share of
        the prior of the mean.
    """

    median: FloatArray
    lower: FloatArray
    upper: FloatArray
    mean: FloatArray
    deviation: FloatArray
    new_lower: FloatArray
    new_upper: FloatArray
    above: FloatArray
    new_above: FloatArray
    tau: FloatArray
    tau_lower: FloatArray
    tau_upper: FloatArray
    share: FloatArray


def half_normal_effects(
    effect: ArrayLike,
    variance: ArrayLike,
    present: BoolArray | None = None,
    *,
    scale: ArrayLike = 0.5,
    mean_location: float = 0.0,
    mean_deviation: float = np.inf,
    threshold: ArrayLike = 0.0,
    level: float = 0.95,
    spread: bool = True,
) -> HalfNormalAnswers:
    """Pool normal effects with tau half-normal and the mean flat or normal.

    Parameters
    ----------
    effect, variance : array_like, shape (..., k)
        On the analysis scale; entries without a study may hold anything.
    present : ndarray of bool, shape (..., k), optional
        Which studies take part; all of them when left out. Every analysis needs one.
    scale : array_like, broadcast against the batch shape
        Scale of the prior of tau.
    mean_location, mean_deviation : float
        Normal prior of the mean; flat when the deviation is infinite.
    threshold : array_like, broadcast against the batch shape
        For the tail probabilities.
    level : float
        Of all limits.
    spread : bool
        Whether tau's own quantiles are wanted; a batch is twice as fast without.

    Returns
    -------
    HalfNormalAnswers
        Quadrature errors are below 1e-9 (on the scale of the standard deviation of each quantity). A batch
        equals a loop to the last bit.

    Raises
    ------
    ValueError
        For an analysis without a study, a missing effect, a variance or scale that is not positive.
    ConvergenceError
        When the integral over tau does not settle.

    References
    ----------
    Friede et al. (2017), Biom J 59:658-671 and Res Synth Methods 8:79-91; Rover et al. (2021).

    Examples
    --------
    >>> found = half_normal_effects([0.3, 0.5], [0.04, 0.09])
    >>> [round(float(value), 3) for value in (found.median, found.lower, found.upper)]
    [0.375, -0.271, 1.054]
    """
    return _answers(
        effect, variance, present, scale, (mean_location, mean_deviation), threshold, level, spread, None
    )


def half_normal_posterior(
    effect: ArrayLike,
    variance: ArrayLike,
    *,
    scales: tuple[float, ...] = (0.5,),
    mean_location: float = 0.0,
    mean_deviation: float = np.inf,
    threshold: float = 0.0,
    level: float = 0.95,
) -> tuple[HalfNormalAnswers, tuple[NormalMixturePosterior, ...]]:
    """Pool the normal effects of one analysis, and keep the posterior as well.

    Parameters
    ----------
    effect, variance : array_like, shape (k,)
    scales : tuple of float
        Scales of the prior of tau, one answer each.
    mean_location, mean_deviation, threshold, level
        As for `half_normal_effects`.

    Returns
    -------
    HalfNormalAnswers
        Every array has one entry a scale.
    tuple of NormalMixturePosterior
        One a scale.
    """
    kept: dict[int, NormalMixturePosterior] = {}
    prior = (mean_location, mean_deviation)
    found = _answers(effect, variance, None, np.array(scales), prior, threshold, level, True, kept)
    return found, tuple(kept[row] for row in range(len(scales)))


def _answers(
    effect: ArrayLike,
    variance: ArrayLike,
    present: BoolArray | None,
    scale: ArrayLike,
    mean_prior: tuple[float, float],
    threshold: ArrayLike,
    level: float,
    spread: bool,
    kept: dict[int, NormalMixturePosterior] | None,
) -> HalfNormalAnswers:
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    here = np.ones(1, dtype=bool) if present is None else np.asarray(present, dtype=bool)
    s, limit = np.asarray(scale, dtype=float), np.asarray(threshold, dtype=float)
    shape = np.broadcast_shapes(y.shape, v.shape, here.shape, (*s.shape, 1), (*limit.shape, 1))
    leading, k = shape[:-1], shape[-1]
    here = np.broadcast_to(here, shape).reshape(-1, k)
    y = np.where(here, np.broadcast_to(y, shape).reshape(-1, k), 0.0)
    v = np.where(here, np.broadcast_to(v, shape).reshape(-1, k), 1.0)
    s, limit = (np.broadcast_to(part, leading).reshape(-1).astype(float) for part in (s, limit))
    if not (here.any(axis=-1).all() and np.isfinite(y + v).all() and (v > 0).all() and (s > 0).all()):
        raise ValueError(
            "every analysis needs a study, every study a finite effect and positive variance, and tau a "
            "positive prior scale"
        )
    names = [field.name for field in fields(HalfNormalAnswers)]
    found = {name: np.full(len(y), np.nan) for name in names}
    found["share"] = np.zeros((len(y), k))
    rows = max(1, CHUNK // (64 * k))
    prior = (mean_prior[0], 0.0 if np.isinf(mean_prior[1]) else mean_prior[1] ** -2)
    for first in range(0, len(y), rows):
        part = slice(first, first + rows)
        _pool(
            y[part], v[part], here[part].astype(float), s[part], prior, limit[part], level, spread,
            {name: column[part] for name, column in found.items()}, kept,
        )  # fmt: skip
    return HalfNormalAnswers(
        **{name: column.reshape((*leading, *column.shape[1:])) for name, column in found.items()}
    )


def _pool(
    effect: FloatArray,
    variance: FloatArray,
    here: FloatArray,
    scale: FloatArray,
    prior: tuple[float, float],
    threshold: FloatArray,
    level: float,
    spread: bool,
    into: dict[str, FloatArray],
    kept: dict[int, NormalMixturePosterior] | None,
) -> None:
    """Answer for one chunk of analyses, writing into views of the columns."""
    precision = here / variance
    total = precision.sum(axis=-1)
    anchor = np.vecdot(precision, effect) / total  # keeps digits when effects are far from 0
    y = (effect - anchor[:, None]) * here
    location, extra = prior[0] - anchor, prior[1]
    fewer = 0.0 if extra > 0 else 1.0

    def given(tau: FloatArray, rows: IndexArray) -> Given:
        on, effects, before = here[rows, None, :], y[rows, None, :], location[rows, None]
        whole = variance[rows, None, :] + tau[..., None] ** 2
        weight = on / whole
        sum_weight = np.vecdot(weight, on) + extra
        mean = np.vecdot(weight, effects)
        if extra:
            mean += extra * before
        mean /= sum_weight
        residual = effects - mean[..., None]
        squares = np.vecdot(weight * residual, residual)
        if extra:
            squares += extra * (mean - before) ** 2
        logs = np.vecdot(np.log(whole), np.broadcast_to(on, whole.shape))
        return Given(
            log_likelihood=-0.5 * (logs + np.log(sum_weight) + squares),
            mean=mean[:, None],
            variance=1.0 / sum_weight[:, None],
        )

    for mixture in mix_over_tau(
        given,
        scale=scale,
        narrowest=np.sqrt(0.5 / (total + extra)),
        squares=np.vecdot(y, y),
        information=here.sum(axis=-1) - fewer,
        spread=spread,
    ):
        _write(mixture, variance, here, anchor, threshold, level, spread, into)
        if kept is not None:
            kept |= _posteriors(mixture, anchor)


def _posteriors(mixture: TauMixture, anchor: FloatArray) -> dict[int, NormalMixturePosterior]:
    return {
        int(row): NormalMixturePosterior(
            weight=mixture.weight[at],
            mean=anchor[row] + mixture.mean[at, 0],
            deviation=np.sqrt(mixture.variance[at, 0]),
            new_deviation=np.sqrt(mixture.variance[at, 0] + mixture.tau[at] ** 2),
        )
        for at, row in enumerate(mixture.rows)
    }


def _write(
    mixture: TauMixture,
    variance: FloatArray,
    here: FloatArray,
    anchor: FloatArray,
    threshold: FloatArray,
    level: float,
    spread: bool,
    into: dict[str, FloatArray],
) -> None:
    rows = mixture.rows
    low, high = (1.0 - level) / 2.0, (1.0 + level) / 2.0
    shift = anchor[rows]
    mean, deviation = mixture.moments()
    limit = (threshold[rows] - shift)[:, None]
    names = ("median", "lower", "upper", "new_lower", "new_upper")
    asked = ((0.5, False), (low, False), (high, False), (low, True), (high, True))
    answers = dict(zip(names, shift + mixture.quantiles(*asked)[..., 0], strict=True))
    answers |= {
        "mean": shift + mean[:, 0],
        "deviation": deviation[:, 0],
        "above": mixture.above(limit)[:, 0],
        "new_above": mixture.above(limit, new_centre=True)[:, 0],
    }
    if spread:
        between = mixture.tau_quantiles(0.5, low, high)
        answers |= dict(zip(("tau", "tau_lower", "tau_upper"), between, strict=True))
    for name, values in answers.items():
        into[name][rows] = values
    weight = here[rows, None, :] / (variance[rows, None, :] + mixture.tau[..., None] ** 2)
    weight *= (mixture.weight * mixture.variance[:, 0])[..., None]
    into["share"][rows] = weight.sum(axis=1)
