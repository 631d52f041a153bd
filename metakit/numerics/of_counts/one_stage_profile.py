"""Profile-likelihood limits of one parameter of a one-stage model."""

from __future__ import annotations

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.ascent import IntArray
from metakit.numerics.of_counts.one_stage import NODE_LADDER, maximise
from metakit.numerics.of_counts.one_stage_fit import LatentFit, take_rows
from metakit.numerics.of_counts.one_stage_likelihood import LatentModel, marginal

_STEPS = 60
_TOLERANCE = 1e-9
_SETTLED = 1e-7
_FARTHEST = 15.0  # on a log or logit scale: beyond, a limit is as good as infinite
_LARGEST_SPREAD = 5.0  # a likelihood that can be held up by such a tau excludes nothing on that side
_LEAST_START_SPREAD = 0.05


def profile_limits(
    model: LatentModel, fit: LatentFit, *, parameter: int, cutoff: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the two values of one parameter at which twice the log-likelihood has dropped by `cutoff`.

    The signed root of the drop is nearly linear in the parameter, so a safeguarded Newton search on it
    (its slope is known from the score) needs few refits. Limits far out want more nodes than the maximum
    did; they are raised until the likelihood at the limit is settled.

    Parameters
    ----------
    model, fit
        As given to and returned by `fit_latent`.
    parameter : int
        Index into beta then spread. A spread's lower limit is 0 when the drop there is within reach.
    cutoff : ndarray, shape (B,) or (C, B)
        Quantiles: of chi-square with 1 degree of freedom for the usual interval.

    Returns
    -------
    lower, upper : ndarray, shape of `cutoff`
        Infinite where the likelihood never drops that far; NaN where a refit failed.
    """
    terms = model.coefficients
    # Both sides of every cutoff are searched as one batch.
    batch = len(fit.nodes)
    which = np.tile(np.arange(batch), 2 * (cutoff.size // batch))
    sides = np.repeat([-1.0, 1.0], cutoff.size)
    drops = np.tile(cutoff.ravel(), 2)
    target, nodes = np.sqrt(drops), fit.nodes[which]
    answer = np.full(len(which), np.nan)
    rows = np.arange(len(which))
    if parameter >= terms:
        drop = 2.0 * (fit.maximum.value - fit.common.value)[which]
        zero = (sides < 0) & ((drop <= drops) | (fit.maximum.parameters[which, parameter] <= 0))
        answer[zero] = 0.0
        rows = rows[~zero]
    ladder = NODE_LADDER[model.dimensions]
    for rung, finer in zip(ladder, [*ladder[1:], 0], strict=True):
        now = rows[nodes[rows] <= rung]
        if len(now) == 0:
            continue
        found, sure = _limit(model, fit, which[now], parameter, sides[now], target[now], rung, finer)
        answer[now[sure]] = found[sure]
        rows = rows[~np.isin(rows, now[sure])]
    lower, upper = answer.reshape(2, *cutoff.shape)
    return lower, upper


def _limit(
    model: LatentModel,
    fit: LatentFit,
    rows: IntArray,
    parameter: int,
    side: FloatArray,
    target: FloatArray,
    nodes: int,
    finer: int,
) -> tuple[FloatArray, BoolArray]:
    """Search one limit a row, of an analysis; also say where the quadrature was fine enough."""
    here, best, terms = model.rows(rows), take_rows(fit.maximum, rows), model.coefficients
    centre = best.parameters[:, parameter]
    batch = len(rows)
    answer, sure = np.full(batch, np.nan), np.zeros(batch, dtype=bool)
    variance = -np.linalg.inv(best.hessian - 1e-12 * np.eye(best.hessian.shape[1]))[:, parameter, parameter]
    width = np.sqrt(np.where((variance > 0) & (variance < 4.0), variance, 0.25))
    below = np.zeros(batch)  # distances from the centre where the drop is short of, and past, the target
    beyond = np.full(batch, np.inf)
    distance = width * target
    if parameter >= terms:
        beyond = np.where(side < 0, centre, beyond)
    parameters, intercepts, mode = best.parameters.copy(), best.intercepts.copy(), best.mode.copy()
    free = fit.free.copy()
    free[parameter] = False
    live = np.arange(batch)
    for _ in range(_STEPS):
        distance[live] = np.where(
            distance[live] < beyond[live], distance[live], (below[live] + beyond[live]) / 2
        )
        start = parameters[live]
        start[:, parameter] = centre[live] + side[live] * distance[live]
        for column in range(terms, start.shape[1]):
            if not free[column]:
                continue
            # Far from the centre more heterogeneity may fit better, however little there is at the centre.
            reach = distance[live] / 2 if column == terms else 0.0
            fresh = np.maximum(reach, _LEAST_START_SPREAD)
            start[:, column] = np.where(start[:, column] > 0, start[:, column], fresh)
        part = here.rows(live)
        refit = maximise(part, start, intercepts[live], free=free, nodes=nodes, mode=mode[live])
        parameters[live], intercepts[live], mode[live] = refit.parameters, refit.intercepts, refit.mode
        root = np.sqrt(np.maximum(2.0 * (best.value[live] - refit.value), 0.0))
        gap = root - target[live]
        short = gap < 0
        below[live[short]] = distance[live[short]]
        beyond[live[~short]] = distance[live[~short]]
        narrow = (beyond - below)[live] < 1e-12 * (1.0 + np.abs(centre[live]) + distance[live])
        widest = np.abs(refit.parameters[:, terms])
        endless = short & ((distance[live] >= _FARTHEST) | (widest > _LARGEST_SPREAD))
        found = (np.abs(gap) < _TOLERANCE) | narrow | endless
        ended = live[found]
        answer[ended] = np.where(
            endless[found], side[ended] * np.inf, centre[ended] + side[ended] * distance[ended]
        )
        if finer and found.any():
            index = np.flatnonzero(found)
            check = marginal(
                part.rows(index), parameters[ended], intercepts[ended], nodes=finer, start=mode[ended]
            )
            rough = np.abs(check.value - refit.value[index]) > _SETTLED
            sure[ended] = ~(rough & ~endless[index])
        else:
            sure[ended] = True
        going = ~found & refit.converged
        with np.errstate(divide="ignore", invalid="ignore"):
            step = distance[live] + gap * root / (side[live] * refit.score[:, parameter])
        bounded = np.isfinite(beyond[live])
        farther = np.where(bounded, (below[live] + beyond[live]) / 2, 2.0 * distance[live])
        sound = np.isfinite(step) & (step > below[live]) & (step < beyond[live])
        most = np.minimum(np.where(bounded, np.inf, 3.0 * distance[live]), _FARTHEST)
        if parameter == terms:
            most = np.minimum(most, _LARGEST_SPREAD + 1.0)
        distance[live] = np.minimum(np.where(sound, step, farther), most)
        live = live[going]
        if len(live) == 0:
            break
    return answer, sure


def signed_root(model: LatentModel, fit: LatentFit, *, parameter: int, value: float) -> FloatArray:
    """Return the signed root of the likelihood ratio of one value of a parameter, shape (B,).

    It is compared with the standard normal distribution; NaN where the refit failed. Nodes are raised until
    the likelihood there is settled.
    """
    best, terms = fit.maximum, model.coefficients
    start = best.parameters.copy()
    away = best.parameters[:, parameter] - value
    start[:, parameter] = value
    free = fit.free.copy()
    free[parameter] = False
    for column in np.flatnonzero(free[terms:]) + terms:
        reach = np.abs(away) / 2 if column == terms else 0.0
        start[:, column] = np.maximum(np.maximum(start[:, column], reach), _LEAST_START_SPREAD)
    answer = np.full(len(away), np.nan)
    ladder = NODE_LADDER[model.dimensions]
    open_rows = np.arange(len(away))
    for rung, finer in zip(ladder, [*ladder[1:], 0], strict=True):
        rows = open_rows[fit.nodes[open_rows] <= rung]
        if len(rows) == 0:
            continue
        here, inner = model.rows(rows), best.intercepts[rows]
        refit = maximise(here, start[rows], inner, free=free, nodes=rung, mode=best.mode[rows])
        root = np.sign(away[rows]) * np.sqrt(np.maximum(2.0 * (best.value[rows] - refit.value), 0.0))
        answer[rows] = np.where(refit.converged, root, np.nan)
        if finer:
            check = marginal(here, refit.parameters, refit.intercepts, nodes=finer, start=refit.mode)
            good = refit.converged & (np.abs(check.value - refit.value) <= _SETTLED)
            open_rows = open_rows[~np.isin(open_rows, rows[good])]
    return answer
