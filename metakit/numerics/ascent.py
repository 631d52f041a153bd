"""Newton's method for the maxima of many smooth functions at once, each row stopped on its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from metakit.core.effects import BoolArray, FloatArray

IntArray = NDArray[np.intp]

_STEPS = 80
_HALVINGS = 40
_DECREMENT = 1e-24  # (distance to the maximum in standard errors) squared
_GOOD_DECREMENT = 1e-7  # still a maximum when rounding lets the function climb no further
_ENOUGH = 1e-4  # share of the promised gain that a step must bring, or an even function is climbed in circles
_ROUGHNESS = 1e-9  # a quadrature's value may fall by so much while its gradient still leads to the top
_NOISY_DECREMENT = 1e-10
_STALLED = 0.25
_LARGEST_STEP = 3.0
_BOUNDLESS = 40.0  # a log odds, log rate or spread beyond this is on its way to infinity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """A function of B rows of parameters at one point, with derivatives.

    `value` (B,), `gradient` (B, Q), `hessian` (B, Q, Q). `carry` holds further arrays of first axis B that
    belong to the point (a start for the next evaluation, pieces that `follow` needs).
    """

    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray
    carry: tuple[FloatArray, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Top:
    """Where each row ended, and whether that is a maximum."""

    parameters: FloatArray
    extra: FloatArray
    surface: Surface
    converged: BoolArray

    def rows(self, which: slice) -> Top:
        """Return where some of the rows ended: views, that can be written to."""
        surface = self.surface
        return Top(
            parameters=self.parameters[which],
            extra=self.extra[which],
            surface=Surface(
                value=surface.value[which],
                gradient=surface.gradient[which],
                hessian=surface.hessian[which],
                carry=tuple(part[which] for part in surface.carry),
            ),
            converged=self.converged[which],
        )


Evaluate = Callable[[FloatArray, FloatArray, tuple[FloatArray, ...], IntArray], Surface]
"""Gets parameters, extra parameters, the carry of the last point and the rows they belong to."""

Follow = Callable[[tuple[FloatArray, ...], FloatArray], tuple[FloatArray, FloatArray]]
"""Gets the carry and the step; gives the step of the extra parameters and what it adds to the decrement."""


def newton_step(
    gradient: FloatArray, hessian: FloatArray, free: BoolArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return the step over free parameters, its squared length, and whether curvature is negative there.

    Where the surface is not concave the sizes of the eigenvalues are used: the step still climbs.
    """
    which = np.flatnonzero(free)
    step = np.zeros_like(gradient)
    if which.size == 0:
        return step, np.zeros(len(gradient)), np.ones(len(gradient), dtype=bool)
    part = gradient[:, which]
    size, axes = np.linalg.eigh(-hessian[:, which[:, None], which])
    largest = np.maximum(np.abs(size).max(axis=1, keepdims=True), 1e-300)
    solid = np.maximum(np.abs(size), 1e-10 * largest)
    along = (axes * part[:, :, None]).sum(axis=1)
    step[:, which] = (axes * (along / solid)[:, None, :]).sum(axis=2)
    return step, np.asarray((along**2 / solid).sum(axis=1)), np.asarray((size > 0).all(axis=1))


def no_extra(carry: tuple[FloatArray, ...], step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Follow with no extra parameters."""
    return np.zeros((len(step), 0)), np.zeros(len(step))


def climb(
    evaluate: Evaluate,
    parameters: FloatArray,
    *,
    free: BoolArray,
    extra: FloatArray | None = None,
    carry: tuple[FloatArray, ...] = (),
    follow: Follow = no_extra,
) -> Top:
    """Climb to a maximum by Newton steps with halving.

    Parameters
    ----------
    evaluate : callable
        The functions; a value may be minus infinity outside their domain.
    parameters : ndarray, shape (B, Q)
        Start; what is not free stays there.
    free : ndarray of bool, shape (Q,)
    extra : ndarray, shape (B, E), optional
        Further parameters that are eliminated from gradient and Hessian, moved by `follow`.
    carry : tuple of ndarray
        Carry of an earlier point, for the first evaluation.
    follow : callable
        Step of the extra parameters.
    """
    theta = parameters.astype(float).copy()
    batch = len(theta)
    other = np.zeros((batch, 0)) if extra is None else np.array(extra, dtype=float)
    every = np.arange(batch)
    first = evaluate(theta, other, carry, every)
    value, gradient, hessian = first.value.copy(), first.gradient.copy(), first.hessian.copy()
    held = tuple(np.array(part) for part in first.carry)
    converged = np.zeros(batch, dtype=bool)
    last = np.full(batch, np.inf)
    live = every
    for _ in range(_STEPS):
        step, decrement, concave = newton_step(gradient[live], hessian[live], free)
        other_step, more = follow(tuple(part[live] for part in held), step)
        decrement = decrement + more
        # Near the top the decrement falls with its square; when it no longer does, rounding has the word.
        stalled = (decrement < _NOISY_DECREMENT) & (decrement > _STALLED * last[live])
        done = ((decrement < _DECREMENT) | stalled) & concave
        last[live] = decrement
        converged[live[done]] = True
        going = ~done & (np.abs(theta[live]).max(axis=1) <= _BOUNDLESS)
        live, step, other_step = live[going], step[going], other_step[going]
        promise = decrement[going]
        near = (promise < _GOOD_DECREMENT) & concave[going]
        longest = np.maximum(np.abs(step).max(axis=1), np.abs(other_step).max(axis=1, initial=0.0))
        length = np.minimum(1.0, _LARGEST_STEP / np.maximum(longest, 1e-300))
        trying, stuck = np.arange(len(live)), np.zeros(len(live), dtype=bool)
        for _ in range(_HALVINGS):
            if len(trying) == 0:
                break
            rows = live[trying]
            new_theta = theta[rows] + length[trying, None] * step[trying]
            new_other = other[rows] + length[trying, None] * other_step[trying]
            point = evaluate(new_theta, new_other, tuple(part[rows] for part in held), rows)
            enough = np.where(
                near[trying],
                -_ROUGHNESS * (1.0 + np.abs(value[rows])),
                _ENOUGH * length[trying] * promise[trying],
            )
            better = point.value >= value[rows] + enough
            good = rows[better]
            theta[good], other[good], value[good] = new_theta[better], new_other[better], point.value[better]
            gradient[good], hessian[good] = point.gradient[better], point.hessian[better]
            for part, new in zip(held, point.carry, strict=True):
                part[good] = new[better]
            trying = trying[~better]
            length[trying] *= 0.5
        stuck[trying] = True
        # The function gains nothing more: that is the top where the curvature says so, else a failure.
        converged[live[stuck & near]] = True
        live = live[~stuck]
        if len(live) == 0:
            break
    else:  # steps that no longer gain or lose anything are as good as none
        converged[live] = last[live] < _GOOD_DECREMENT
    return Top(
        parameters=theta,
        extra=other,
        surface=Surface(value=value, gradient=gradient, hessian=hessian, carry=held),
        converged=converged,
    )
