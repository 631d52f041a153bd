"""Beta-binomial model of two arms (Kuss 2015): every arm of every study counts, also without any event.

The proportion in each arm of each study has a beta distribution with mean p_1 or p_2 and a common
intracluster correlation rho. With theta = rho / (1 - rho) the likelihood of one arm is

    sum_j [A_j ln(p + j theta) + B_j ln(1 - p + j theta) - C_j ln(1 + j theta)]

where A_j, B_j, C_j count the studies with more than j events, non-events and participants. It is smooth
through theta = 0 (the binomial), where gamma functions would lose all digits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.ascent import IntArray, Surface, Top, climb
from metakit.numerics.of_counts.one_stage_densities import binomial_constant

START_ROOTS = (0.05, 0.4)
_ZERO_ROOT = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TailCounts:
    """Number of studies whose events, non-events and total exceed j = 0, 1, ...; shape (B, J) each."""

    events: FloatArray
    others: FloatArray
    total: FloatArray
    constant: FloatArray

    def rows(self, index: IntArray) -> TailCounts:
        """Return the counts of some of the analyses."""
        return TailCounts(
            events=self.events[index],
            others=self.others[index],
            total=self.total[index],
            constant=self.constant[index],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BetaBinomialFit:
    """Fit of B analyses.

    Parameters
    ----------
    logits : ndarray, shape (B, 2)
        Logits of the mean proportions of arm 1 and arm 2.
    correlation : ndarray, shape (B,)
        Intracluster correlation rho; 0 is a boundary.
    covariance : ndarray, shape (B, 2, 2)
        Of the logits, from the observed information.
    value, value_binomial : ndarray, shape (B,)
        Log-likelihood at the maximum, and with rho = 0.
    converged : ndarray of bool, shape (B,)
    """

    logits: FloatArray
    correlation: FloatArray
    covariance: FloatArray
    value: FloatArray
    value_binomial: FloatArray
    converged: BoolArray


def tail_counts(events: FloatArray, total: FloatArray) -> TailCounts:
    """Count studies beyond each number; `events`, `total` are whole numbers of shape (B, k)."""
    j = np.arange(max(int(total.max(initial=0)), 1))

    def beyond(number: FloatArray) -> FloatArray:
        return np.asarray((number[..., None, :] > j[:, None]).sum(axis=-1), dtype=float)

    return TailCounts(
        events=beyond(events),
        others=beyond(total - events),
        total=beyond(total),
        constant=binomial_constant(events, total).sum(axis=-1),
    )


def _arm(tail: TailCounts, p: FloatArray, theta: FloatArray) -> tuple[FloatArray, ...]:
    """Log-likelihood of one arm with derivatives: value, by p, theta, pp, p-theta, theta-theta."""
    j = np.arange(tail.total.shape[-1])
    up = p[:, None] + j * theta[:, None]
    down = (1.0 - p)[:, None] + j * theta[:, None]
    one = 1.0 + j * theta[:, None]
    # Terms that no study needs must not touch the sum, even where their logarithm is infinite.
    a, b = tail.events / up, tail.others / down
    c = tail.total / one
    value = (
        special.xlogy(tail.events, up) + special.xlogy(tail.others, down) - tail.total * np.log(one)
    ).sum(axis=-1) + tail.constant
    a2, b2 = a / up, b / down
    return (
        value,
        (a - b).sum(axis=-1),
        (j * (a + b - c)).sum(axis=-1),
        -(a2 + b2).sum(axis=-1),
        -(j * (a2 - b2)).sum(axis=-1),
        -(j * j * (a2 + b2 - c / one)).sum(axis=-1),
    )


def slope_of_arm(tail: TailCounts, p: FloatArray, theta: FloatArray) -> FloatArray:
    """Return the derivative of one arm's log-likelihood by its mean proportion."""
    return _arm(tail, p, theta)[1]


Located = tuple[FloatArray, FloatArray, FloatArray]
"""A mean proportion with its first and second derivative by its location parameter."""


def surface_of(
    tails: tuple[TailCounts, TailCounts],
    means: tuple[Located, Located],
    owner: tuple[int, int],
    root: FloatArray,
) -> Surface:
    """Return the likelihood over location parameters and the root of theta; arm r moves with `owner[r]`."""
    theta, columns = root * root, max(owner) + 1
    value = np.zeros(len(root))
    gradient = np.zeros((len(root), columns + 1))
    hessian = np.zeros((len(root), columns + 1, columns + 1))
    for tail, (p, p1, p2), column in zip(tails, means, owner, strict=True):
        part, by_p, by_t, by_pp, by_pt, by_tt = _arm(tail, p, theta)
        value += part
        gradient[:, column] += by_p * p1
        gradient[:, -1] += by_t * 2.0 * root
        hessian[:, column, column] += by_pp * p1 * p1 + by_p * p2
        hessian[:, column, -1] += by_pt * p1 * 2.0 * root
        hessian[:, -1, column] = hessian[:, column, -1]
        hessian[:, -1, -1] += by_tt * 4.0 * theta + 2.0 * by_t
    return Surface(value=value, gradient=gradient, hessian=hessian)


def logistic(
    location: FloatArray, floor: FloatArray | float = 0.0, width: FloatArray | float = 1.0
) -> Located:
    """Return floor + width * expit(location) with derivatives."""
    p = special.expit(location)
    slope = width * p * special.expit(-location)
    return np.asarray(floor + width * p), np.asarray(slope), np.asarray(slope * (1.0 - 2.0 * p))


def take_better(best: Top, other: Top, rows: IntArray) -> None:
    """Write the rows of `other` over those of `best` where it climbed higher; `best` wins ties."""
    value = best.surface.value[rows]
    gain = other.surface.value - value
    better = other.converged & (~best.converged[rows] | (gain > 1e-9 * (1.0 + np.abs(value))))
    for into, new in (
        (best.parameters, other.parameters),
        (best.converged, other.converged),
        (best.surface.value, other.surface.value),
        (best.surface.hessian, other.surface.hessian),
    ):
        into[rows[better]] = new[better]


def fit_beta_binomial(
    events_1: FloatArray,
    total_1: FloatArray,
    events_2: FloatArray,
    total_2: FloatArray,
    *,
    heterogeneous: bool = True,
) -> tuple[BetaBinomialFit, tuple[TailCounts, TailCounts]]:
    """Fit by maximum likelihood.

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : ndarray, shape (B, k)
        Whole numbers; an absent study has zero totals. Each arm needs an event and a non-event somewhere.
    heterogeneous : bool
        False holds the intracluster correlation at 0 (one study tells nothing about it).

    Returns
    -------
    BetaBinomialFit
    tuple of TailCounts
        What the limits of contrasts need.
    """
    tails = (tail_counts(events_1, total_1), tail_counts(events_2, total_2))
    start, batch = [], len(events_1)
    for events, total in ((events_1, total_1), (events_2, total_2)):
        x, n = events.sum(axis=-1), total.sum(axis=-1)
        start.append(np.log((x + 0.5) / (n - x + 0.5)))

    def evaluate(
        theta: FloatArray, extra: FloatArray, carry: tuple[FloatArray, ...], rows: IntArray
    ) -> Surface:
        analyses = rows % batch
        here = (tails[0].rows(analyses), tails[1].rows(analyses))
        return surface_of(here, (logistic(theta[:, 0]), logistic(theta[:, 1])), (0, 1), theta[:, 2])

    common = np.array([True, True, False])
    zero = np.zeros(batch)
    plain = climb(evaluate, np.stack([*start, zero], axis=1), free=common)
    if heterogeneous:
        # Both starts climb as one batch: for a single analysis the calls cost more than the numbers.
        begin = [np.stack([*start, zero + root], axis=1) for root in START_ROOTS]
        both = climb(evaluate, np.concatenate(begin), free=np.ones(3, dtype=bool))
        top = both.rows(slice(batch))
        take_better(top, both.rows(slice(batch, None)), np.arange(batch))
    else:
        top = plain
    root = np.abs(top.parameters[:, 2])
    root[root < _ZERO_ROOT] = 0.0
    theta = root * root
    # At the boundary root = 0 the cross derivatives vanish, so the block of the logits stands alone.
    size = np.where(root > 0, 3, 2)
    covariance = np.full((len(root), 2, 2), np.nan)
    for count in (2, 3):
        rows = np.flatnonzero((size == count) & top.converged)
        covariance[rows] = np.linalg.inv(-top.surface.hessian[rows][:, :count, :count])[:, :2, :2]
    fit = BetaBinomialFit(
        logits=top.parameters[:, :2],
        correlation=theta / (1.0 + theta),
        covariance=covariance,
        value=top.surface.value,
        value_binomial=plain.surface.value,
        converged=top.converged & plain.converged,
    )
    return fit, tails
