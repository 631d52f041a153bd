"""Contrasts of the two arms of a beta-binomial fit, with their profile-likelihood limits."""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy import special

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.ascent import IntArray, Surface, climb
from metakit.numerics.one_stage_beta_binomial import (
    START_ROOTS,
    BetaBinomialFit,
    Located,
    TailCounts,
    best_of,
    logistic,
    surface_of,
)
from metakit.numerics.roots import root_in_bracket

Contrast = Literal["odds_ratio", "risk_ratio", "risk_difference"]

_FARTHEST = 15.0  # on a log scale: beyond, a limit is as good as infinite


def contrast(logits: FloatArray, covariance: FloatArray, kind: Contrast) -> tuple[FloatArray, FloatArray]:
    """Return log odds ratio, log risk ratio or risk difference, with its standard error."""
    p, q = special.expit(logits), special.expit(-logits)
    if kind == "odds_ratio":
        value, slopes = logits[:, 0] - logits[:, 1], np.broadcast_to([1.0, -1.0], logits.shape)
    elif kind == "risk_ratio":
        value = special.log_expit(logits[:, 0]) - special.log_expit(logits[:, 1])
        slopes = q * [1.0, -1.0]
    else:
        value, slopes = p[:, 0] - p[:, 1], p * q * [1.0, -1.0]
    variance = (slopes[:, :, None] * covariance * slopes[:, None, :]).sum(axis=(1, 2))
    return value, np.sqrt(variance)


def _means_given(effect: FloatArray, location: FloatArray, kind: Contrast) -> tuple[Located, Located]:
    """Both mean proportions along the line of one effect; `location` runs over all that are possible."""
    if kind == "odds_ratio":
        return logistic(location + effect / 2), logistic(location - effect / 2)
    if kind == "risk_ratio":
        return (
            logistic(location, width=np.exp(np.minimum(effect, 0.0))),
            logistic(location, width=np.exp(np.minimum(-effect, 0.0))),
        )
    room = 1.0 - np.abs(effect)
    return (
        logistic(location, floor=np.maximum(effect, 0.0), width=room),
        logistic(location, floor=np.maximum(-effect, 0.0), width=room),
    )


def _root_of_drop(
    tails: tuple[TailCounts, TailCounts],
    fit: BetaBinomialFit,
    kind: Contrast,
    effect: FloatArray,
    rows: IntArray,
    heterogeneous: bool,
) -> tuple[FloatArray, BoolArray]:
    """Return the root of the drop of twice the log-likelihood at given effects, and where it converged."""
    # The location starts where both arms keep their mean logit.
    start = fit.logits[rows].mean(axis=1)

    def evaluate(
        theta: FloatArray, extra: FloatArray, carry: tuple[FloatArray, ...], index: IntArray
    ) -> Surface:
        at = rows[index]
        means = _means_given(effect[index], theta[:, 0], kind)
        return surface_of((tails[0].rows(at), tails[1].rows(at)), means, (0, 0), theta[:, 1])

    free = np.array([True, heterogeneous])
    roots = START_ROOTS if heterogeneous else (0.0, 0.0)
    starts = [np.stack([start, np.full(len(rows), root)], axis=1) for root in roots]
    top = best_of([climb(evaluate, begin, free=free) for begin in starts])
    return np.sqrt(np.maximum(2.0 * (fit.value[rows] - top.surface.value), 0.0)), top.converged


def contrast_root(
    tails: tuple[TailCounts, TailCounts],
    fit: BetaBinomialFit,
    kind: Contrast,
    effect: FloatArray,
    *,
    heterogeneous: bool = True,
) -> FloatArray:
    """Return the signed root of the likelihood ratio of a value of the contrast, shape (B,).

    It is compared with the standard normal distribution; NaN where the refit failed.
    """
    centre, _ = contrast(fit.logits, fit.covariance, kind)
    root, good = _root_of_drop(tails, fit, kind, effect, np.arange(len(effect)), heterogeneous)
    return np.where(good, np.sign(centre - effect) * root, np.nan)


def contrast_limits(
    tails: tuple[TailCounts, TailCounts],
    fit: BetaBinomialFit,
    kind: Contrast,
    cutoff: FloatArray,
    *,
    heterogeneous: bool = True,
) -> tuple[FloatArray, FloatArray]:
    """Return profile-likelihood limits of one contrast.

    Parameters
    ----------
    tails, fit
        As returned by `fit_beta_binomial`.
    kind : {"odds_ratio", "risk_ratio", "risk_difference"}
        Ratios on the log scale.
    cutoff : ndarray, shape (B,)
        By how much twice the log-likelihood may drop.
    heterogeneous : bool
        As for the fit.

    Returns
    -------
    lower, upper : ndarray, shape (B,)
        Infinite (-1 or 1 for the difference) where the likelihood never drops so far; NaN where a refit
        failed.
    """
    centre, error = contrast(fit.logits, fit.covariance, kind)
    target = np.sqrt(cutoff)
    every = np.arange(len(centre))
    limits = []
    for side in (-1.0, 1.0):
        bad = np.zeros(len(centre), dtype=bool)

        def gap(distance: FloatArray, rows: IntArray, side: float = side, bad: BoolArray = bad) -> FloatArray:
            effect = centre[rows] + side * distance
            root, good = _root_of_drop(tails, fit, kind, effect, rows, heterogeneous)
            bad[rows] |= ~good
            return root - target[rows]

        room = 1.0 - side * centre if kind == "risk_difference" else np.full(len(centre), _FARTHEST)
        room = room * (1.0 - 1e-9)
        far = np.fmin(3.0 * target * error, room)
        near_rows = every[gap(far, every) < 0]
        far[near_rows] = room[near_rows]
        endless = np.zeros(len(centre), dtype=bool)
        endless[near_rows] = gap(far[near_rows], near_rows) < 0
        bad[:] = False  # only failures on the way to the limit itself count
        found = root_in_bracket(gap, np.zeros(len(centre)), far)
        end = side if kind == "risk_difference" else side * np.inf
        inner = np.where(found.converged & ~bad, centre + side * found.root, np.nan)
        limits.append(np.where(endless, end, inner))
    return limits[0], limits[1]
