"""Fit, test and profile intervals of one-stage models, on top of the batched maximiser.

beta[0] is the effect that is asked for and spread[0] its standard deviation between studies (tau).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.ascent import IntArray
from metakit.numerics.of_counts.one_stage import NODE_LADDER, Maximum, maximise, reduced
from metakit.numerics.of_counts.one_stage_likelihood import LatentModel, marginal

_START_SPREADS = (0.25, 1.0)
_LEAST_START_SPREAD = 0.05  # a spread that starts at zero could never leave it
_ZERO_SPREAD = 1e-6
_SETTLED = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LatentFit:
    """Maximum-likelihood fit of B analyses.

    Parameters
    ----------
    maximum : Maximum
        The fit itself; a spread that is zero is exactly 0.
    common : Maximum
        The fit with spread[0] = 0 (no heterogeneity of the effect).
    nodes : ndarray of int, shape (B,)
        Quadrature nodes that were enough.
    settled : ndarray of bool, shape (B,)
        Log-likelihood and score do not change by more than 1e-10 with twice the nodes.
    other_maximum : ndarray of bool, shape (B,)
        Another start ended at a lower maximum: the likelihood has more than one.
    free : ndarray of bool, shape (P + D,)
        Which parameters were estimated; a spread that was not is zero.
    """

    maximum: Maximum
    common: Maximum
    nodes: IntArray
    settled: BoolArray
    other_maximum: BoolArray
    free: BoolArray


def take_rows(fit: Maximum, rows: IntArray) -> Maximum:
    """Return the fit of some of the analyses."""
    return Maximum(**{item.name: getattr(fit, item.name)[rows] for item in fields(Maximum)})


def put_rows(fit: Maximum, rows: IntArray, part: Maximum) -> None:
    """Write the fit of some of the analyses back."""
    for item in fields(Maximum):
        getattr(fit, item.name)[rows] = getattr(part, item.name)


def unsettled(
    model: LatentModel, parameters: FloatArray, intercepts: FloatArray, fit: Maximum, *, nodes: int
) -> BoolArray:
    """Whether a finer rule sees another likelihood, or a slope that would move the maximum."""
    check = marginal(model, parameters, intercepts, nodes=nodes, start=fit.mode)
    gradient = reduced(check)[0]
    scale = np.sqrt(np.abs(np.diagonal(fit.hessian, axis1=1, axis2=2)).max(axis=1)) + 1e-300
    moved = np.abs(check.value - fit.value) > _SETTLED * (1.0 + np.abs(check.value))
    return np.asarray(moved | (np.abs(gradient - fit.score).max(axis=1) > _SETTLED * scale))


def fit_latent(
    model: LatentModel, beta: FloatArray, intercepts: FloatArray, *, heterogeneous: bool = True
) -> LatentFit:
    """Fit by maximum likelihood from two starts, with nodes raised until nothing changes.

    Parameters
    ----------
    model : LatentModel
        B analyses of k studies.
    beta : ndarray, shape (B, P)
        Start of the coefficients.
    intercepts : ndarray, shape (B, k)
        Start of the study intercepts (ignored when the model has none).
    heterogeneous : bool
        False holds every spread at zero: one study tells nothing about the variation between studies.
    """
    size, terms, batch = model.dimensions, model.coefficients, len(model.constant)
    ladder = NODE_LADDER[size]
    free = np.ones(terms + size, dtype=bool)
    free[terms:] = heterogeneous
    # Both starts climb as one batch: for a single analysis the calls cost more than the numbers.
    every = np.arange(batch)
    spreads = np.repeat(_START_SPREADS if heterogeneous else (0.0, 0.0), batch)
    both = maximise(
        model.rows(np.concatenate([every, every])),
        np.concatenate([np.tile(beta, (2, 1)), np.repeat(spreads[:, None], size, axis=1)], axis=1),
        np.tile(intercepts, (2, 1)),
        free=free,
        nodes=ladder[0],
    )
    found = [take_rows(both, every), take_rows(both, batch + every)]
    # The first start wins ties, so that rounding cannot choose between equal fits.
    gain = found[1].value - found[0].value
    second = found[1].converged & (~found[0].converged | (gain > 1e-9 * (1.0 + np.abs(found[0].value))))
    other = found[0].converged & found[1].converged & (np.abs(gain) > 1e-6)
    best = found[0]
    put_rows(best, np.flatnonzero(second), take_rows(found[1], np.flatnonzero(second)))
    nodes = np.full(batch, ladder[0])
    open_rows = every
    for rung, finer in zip(ladder, [*ladder[1:], 2 * ladder[-1] - 1], strict=True):
        here, part = model.rows(open_rows), take_rows(best, open_rows)
        if rung != ladder[0]:
            start = part.parameters.copy()
            if heterogeneous:
                start[:, terms:] = np.maximum(start[:, terms:], _LEAST_START_SPREAD)
            part = maximise(here, start, part.intercepts, free=free, nodes=rung, mode=part.mode)
            put_rows(best, open_rows, part)
            nodes[open_rows] = rung
        open_rows = open_rows[unsettled(here, part.parameters, part.intercepts, part, nodes=finer)]
        if len(open_rows) == 0:
            break
    settled = np.ones(batch, dtype=bool)
    settled[open_rows] = False
    spread_part = best.parameters[:, terms:]
    spread_part[spread_part < _ZERO_SPREAD] = 0.0
    common = take_rows(best, every)
    for rung in np.unique(nodes):
        rows = np.flatnonzero(nodes == rung)
        put_rows(common, rows, _without_spread(model.rows(rows), take_rows(best, rows), free, int(rung)))
    return LatentFit(
        maximum=best, common=common, nodes=nodes, settled=settled, other_maximum=other, free=free
    )


def _without_spread(model: LatentModel, fit: Maximum, free: BoolArray, nodes: int) -> Maximum:
    terms = model.coefficients
    free, start = free.copy(), fit.parameters.copy()
    free[terms] = False
    start[:, terms] = 0.0
    rest = start[:, terms + 1 :]
    rest[:, free[terms + 1 :]] = np.maximum(rest[:, free[terms + 1 :]], _LEAST_START_SPREAD)
    return maximise(model, start, fit.intercepts, free=free, nodes=nodes)
