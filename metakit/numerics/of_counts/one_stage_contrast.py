"""Contrasts of the two arms of a beta-binomial fit, with their profile-likelihood limits."""

from __future__ import annotations

from functools import partial
from typing import Literal

import numpy as np
from scipy import special

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.ascent import Evaluate, IntArray, Surface, climb
from metakit.numerics.of_counts.one_stage_beta_binomial import (
    START_ROOTS,
    BetaBinomialFit,
    Located,
    TailCounts,
    logistic,
    slope_of_arm,
    surface_of,
    take_better,
)
from metakit.numerics.roots import newton_in_bracket

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


def _means_given(
    effect: FloatArray, location: FloatArray, kind: Contrast
) -> tuple[tuple[Located, Located], tuple[FloatArray, FloatArray]]:
    """Both mean proportions along the line of one effect, and how each changes with the effect itself.

    `location` runs over all proportions that the effect allows.
    """
    if kind == "odds_ratio":
        means = (logistic(location + effect / 2), logistic(location - effect / 2))
        return means, (means[0][1] / 2, -means[1][1] / 2)
    share = special.expit(location)
    side = np.sign(effect)
    if kind == "risk_ratio":
        widths = np.exp(np.minimum(effect, 0.0)), np.exp(np.minimum(-effect, 0.0))
        slopes = share * widths[0] * (side < 0), -share * widths[1] * (side > 0)
        return (logistic(location, width=widths[0]), logistic(location, width=widths[1])), slopes
    room = 1.0 - np.abs(effect)
    means = (
        logistic(location, floor=np.maximum(effect, 0.0), width=room),
        logistic(location, floor=np.maximum(-effect, 0.0), width=room),
    )
    return means, (1.0 * (side > 0) - side * share, -1.0 * (side < 0) - side * share)


def _some(
    evaluate: Evaluate,
    chosen: IntArray,
    theta: FloatArray,
    extra: FloatArray,
    carry: tuple[FloatArray, ...],
    index: IntArray,
) -> Surface:
    """Evaluate some of the rows of a batch."""
    return evaluate(theta, extra, carry, chosen[index])


class _Profile:
    """The likelihood of a contrast with the rest maximised; remembers where each row was last.

    Row i belongs to the analysis `which[i]`.
    """

    def __init__(
        self,
        tails: tuple[TailCounts, TailCounts],
        fit: BetaBinomialFit,
        kind: Contrast,
        heterogeneous: bool,
        which: IntArray,
    ) -> None:
        self._tails = tails[0].rows(which), tails[1].rows(which)
        self._top, self._kind = fit.value[which], kind
        self._heterogeneous = heterogeneous
        # The location starts where both arms keep their mean logit.
        self._last = np.stack([fit.logits[which].mean(axis=1), np.zeros(len(which))], axis=1)

    def root(self, effect: FloatArray, rows: IntArray) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Return the root of the drop of twice the log-likelihood, its slope, and where it converged."""

        def evaluate(
            theta: FloatArray, extra: FloatArray, carry: tuple[FloatArray, ...], index: IntArray
        ) -> Surface:
            at = rows[index]
            means, _ = _means_given(effect[index], theta[:, 0], self._kind)
            return surface_of((self._tails[0].rows(at), self._tails[1].rows(at)), means, (0, 0), theta[:, 1])

        free = np.array([True, self._heterogeneous])
        begin = self._last[rows]
        # Where the root was 0 nearer by it may be above 0 here: both usual starts are tried, row by row.
        fresh = (begin[:, 1] == 0) & self._heterogeneous
        begin[fresh, 1] = START_ROOTS[0]
        again = np.flatnonzero(fresh)
        if len(again):
            chosen = np.concatenate([np.arange(len(rows)), again])
            begin = begin[chosen]
            begin[len(rows) :, 1] = START_ROOTS[1]
            both = climb(partial(_some, evaluate, chosen), begin, free=free)
            top = both.rows(slice(len(rows)))
            take_better(top, both.rows(slice(len(rows), None)), again)
        else:
            top = climb(evaluate, begin, free=free)
        self._last[rows] = np.stack([top.parameters[:, 0], np.abs(top.parameters[:, 1])], axis=1)
        drop = np.sqrt(np.maximum(2.0 * (self._top[rows] - top.surface.value), 0.0))
        means, moved = _means_given(effect, top.parameters[:, 0], self._kind)
        theta = top.parameters[:, 1] ** 2
        slope = np.zeros(len(rows))
        for tail, mean, by_effect in zip(self._tails, means, moved, strict=True):
            slope += slope_of_arm(tail.rows(rows), mean[0], theta) * by_effect
        with np.errstate(divide="ignore", invalid="ignore"):
            return drop, -slope / drop, top.converged


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
    every = np.arange(len(effect))
    root, _, good = _Profile(tails, fit, kind, heterogeneous, every).root(effect, every)
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
    cutoff : ndarray, shape (B,) or (C, B)
        By how much twice the log-likelihood may drop.
    heterogeneous : bool
        As for the fit.

    Returns
    -------
    lower, upper : ndarray, shape of `cutoff`
        Infinite (-1 or 1 for the difference) where the likelihood never drops so far; NaN where a refit
        failed.
    """
    # Both sides of every cutoff are searched as one batch.
    which = np.tile(np.arange(len(fit.value)), 2 * (cutoff.size // len(fit.value)))
    side = np.repeat([-1.0, 1.0], cutoff.size)
    target = np.sqrt(np.tile(cutoff.ravel(), 2))
    centre, error = (part[which] for part in contrast(fit.logits, fit.covariance, kind))
    every = np.arange(len(which))
    profile = _Profile(tails, fit, kind, heterogeneous, which)
    failed = np.zeros(len(which), dtype=bool)

    def gap(distance: FloatArray, rows: IntArray) -> tuple[FloatArray, FloatArray]:
        root, slope, good = profile.root(centre[rows] + side[rows] * distance, rows)
        failed[rows] = ~good
        return target[rows] - root, -side[rows] * slope

    room = 1.0 - side * centre if kind == "risk_difference" else np.full(len(which), _FARTHEST)
    room = room * (1.0 - 1e-9)
    far = np.fmin(3.0 * target * error, room)
    near_rows = every[gap(far, every)[0] > 0]
    far[near_rows] = room[near_rows]
    endless = np.zeros(len(which), dtype=bool)
    if len(near_rows):
        endless[near_rows] = gap(far[near_rows], near_rows)[0] > 0
    failed[:] = False  # only failures on the way to the limit itself count
    found = newton_in_bracket(gap, np.zeros(len(which)), far, np.fmin(target * error, 0.5 * far))
    end = side if kind == "risk_difference" else side * np.inf
    inner = np.where(found.converged & ~failed, centre + side * found.root, np.nan)
    lower, upper = np.where(endless, end, inner).reshape(2, *cutoff.shape)
    return lower, upper
