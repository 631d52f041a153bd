"""Posterior of a mean that is not normal given tau: densities on even grids, one grid a value of tau.

A smooth density on an even grid is known between its points as well: its distribution function, and that of
the density widened by a normal of any spread, follow from the grid's Fourier sums. The error is as small as
what the grid's highest frequency still holds, which the kernel that lays out the grids checks.

References
----------
Gil-Pelaez J (1951), Biometrika 38:481-482, for distribution functions from Fourier transforms.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from metakit.core.effects import FloatArray
from metakit.errors import ConvergenceError

WIDE = 2.4
"""Spreads from this many grid steps on are summed point by point: the grid then resolves the normal."""
_REACH = 20.0  # steps beyond the grid where nothing is left of a density widened by less than WIDE steps
_MOST_STEPS = 100
_FEW = 24
_TABLE_PLACES, _TABLE_REACH, _TABLE_CHUNK = 1001, 12.0, 50


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridPosterior:
    """The mean effect and the effect in a new centre, given tau on J nodes and the mean on M points each.

    Parameters
    ----------
    weight : ndarray, shape (J,)
        Posterior weights of the nodes of tau.
    tau, start, step : ndarray, shape (J,)
        Nodes, and the even grids of the mean: start + step * 0 ... M - 1.
    share : ndarray, shape (J, M)
        Conditional posterior on each grid; each row adds up to 1.
    """

    weight: FloatArray
    tau: FloatArray
    start: FloatArray
    step: FloatArray
    share: FloatArray
    _known: dict[bool, _Parts] = field(default_factory=dict, init=False, repr=False)
    _tables: dict[bool, _Table] = field(default_factory=dict, init=False, repr=False)

    def moments(self) -> tuple[float, float]:
        """Return posterior mean and standard deviation of the mean effect."""
        points = self.start[:, None] + self.step[:, None] * np.arange(self.share.shape[1])
        joint = self.weight[:, None] * self.share
        mean = float((joint * points).sum())
        return mean, float(np.sqrt((joint * (points - mean) ** 2).sum()))

    def below(self, value: ArrayLike, *, new_centre: bool = False) -> FloatArray:
        """Return the probability below each value.

        Few values are summed one by one, many are read off a table of the distribution and its density, which
        is made once; its error is below 1e-8.
        """
        at = np.asarray(value, dtype=float)
        parts = self._parts(new_centre)
        if at.size <= _FEW:
            return np.array([_distribution(parts, float(x))[0] for x in at.ravel()]).reshape(at.shape)
        if new_centre not in self._tables:
            self._tables[new_centre] = _table(parts, *self._reach(new_centre))
        return self._tables[new_centre].read(at)

    def _reach(self, new_centre: bool) -> tuple[float, float]:
        """Return between which values anything lies that is told."""
        mean, deviation = self.moments()
        if new_centre:
            deviation = float(np.sqrt(deviation**2 + (self.weight * self.tau**2).sum()))
        return mean - _TABLE_REACH * deviation, mean + _TABLE_REACH * deviation

    def quantile(self, probability: ArrayLike, *, new_centre: bool = False) -> FloatArray:
        """Return the value with each probability below it; infinite at 0 and 1."""
        asked = np.asarray(probability, dtype=float)
        parts = self._parts(new_centre)
        mean, deviation = self.moments()
        if new_centre:
            deviation = float(np.sqrt(deviation**2 + (self.weight * self.tau**2).sum()))
        found = [_quantile(parts, float(p), mean, deviation) for p in asked.ravel()]
        return np.array(found).reshape(asked.shape)

    def _parts(self, new_centre: bool) -> _Parts:
        """Return what sums are made of, made once: many quantiles are asked of one posterior."""
        if new_centre not in self._known:
            self._known[new_centre] = self._made(new_centre)
        return self._known[new_centre]

    def _made(self, new_centre: bool) -> _Parts:
        spread = self.tau / self.step if new_centre else np.zeros_like(self.tau)
        wide = spread >= WIDE
        points = self.share.shape[1]
        middle = (points - 1) / 2.0
        frequency, rule = _frequencies(int(np.ceil(np.pi * (points + 2 * _REACH) / 2.0)) + 24)
        narrow = ~wide
        phase = frequency[:, None] * (np.arange(points) - middle)
        damping = rule * np.exp(-0.5 * (frequency * spread[narrow, None]) ** 2) / np.pi
        grid = self.start[wide, None] + self.step[wide, None] * np.arange(points)
        return _Parts(
            weight=self.weight[narrow],
            centre=self.start[narrow] + self.step[narrow] * middle,
            step=self.step[narrow],
            reach=middle + np.where(spread[narrow] > 0, _REACH, 0.0),
            frequency=frequency,
            real=damping * (self.share[narrow] @ np.cos(phase).T),
            imaginary=damping * (self.share[narrow] @ np.sin(phase).T),
            joint=(self.weight[wide, None] * self.share[wide]).ravel(),
            point=grid.ravel(),
            tau=np.repeat(self.tau[wide], points),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """What a distribution function is summed from: Fourier sums of N nodes, and P points with their tau."""

    weight: FloatArray
    centre: FloatArray
    step: FloatArray
    reach: FloatArray
    frequency: FloatArray
    real: FloatArray
    imaginary: FloatArray
    joint: FloatArray
    point: FloatArray
    tau: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Table:
    """A distribution function and its density at even places, read between them by Hermite's cubic."""

    start: float
    step: float
    mass: FloatArray
    slope: FloatArray

    def read(self, value: FloatArray) -> FloatArray:
        """Return the probability below each value; 0 and 1 beyond the ends."""
        last = len(self.mass) - 2
        place = np.clip((value - self.start) / self.step, 0.0, last + 1.0)
        left = np.minimum(place.astype(int), last)
        t = place - left
        rest = 1.0 - t
        found = (
            (1.0 + 2.0 * t) * rest**2 * self.mass[left] + t**2 * (3.0 - 2.0 * t) * self.mass[left + 1]
            + self.step * t * rest * (rest * self.slope[left] - t * self.slope[left + 1])
        )  # fmt: skip
        return np.asarray(np.clip(found, 0.0, 1.0))


def _table(parts: _Parts, low: float, high: float) -> _Table:
    places = np.linspace(low, high, _TABLE_PLACES)
    mass, slope = np.empty(_TABLE_PLACES), np.empty(_TABLE_PLACES)
    for first in range(0, _TABLE_PLACES, _TABLE_CHUNK):
        part = slice(first, first + _TABLE_CHUNK)
        mass[part], slope[part] = _distributions(parts, places[part])
    return _Table(start=low, step=float(places[1] - places[0]), mass=mass, slope=slope)


def _distributions(parts: _Parts, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return probability and density as `_distribution` does, of many values at once."""
    unit = (value[:, None] - parts.centre) / parts.step
    inside = np.abs(unit) <= parts.reach
    angle = np.clip(unit, -parts.reach, parts.reach)[..., None] * parts.frequency
    sine, cosine = np.sin(angle), np.cos(angle)
    mass = 0.5 + ((sine * parts.real - cosine * parts.imaginary) / parts.frequency).sum(axis=-1)
    mass = np.where(inside, mass, unit > 0)
    slope = np.where(inside, (cosine * parts.real + sine * parts.imaginary).sum(axis=-1) / parts.step, 0.0)
    z = (value[:, None] - parts.point) / parts.tau
    below = mass @ parts.weight + special.ndtr(z) @ parts.joint
    density = slope @ parts.weight
    density += np.exp(-0.5 * z * z) @ (parts.joint / parts.tau) / np.sqrt(2.0 * np.pi)
    return np.asarray(below), np.asarray(density)


def _distribution(parts: _Parts, value: float) -> tuple[float, float]:
    """Return the probability below a value, and the density there."""
    unit = (value - parts.centre) / parts.step
    inside = np.abs(unit) <= parts.reach
    angle = parts.frequency * np.clip(unit, -parts.reach, parts.reach)[:, None]
    sine, cosine = np.sin(angle), np.cos(angle)
    mass = 0.5 + ((sine * parts.real - cosine * parts.imaginary) / parts.frequency).sum(axis=-1)
    mass = np.where(inside, mass, unit > 0)
    slope = np.where(inside, (cosine * parts.real + sine * parts.imaginary).sum(axis=-1) / parts.step, 0.0)
    z = (value - parts.point) / parts.tau
    below = parts.weight @ mass + parts.joint @ special.ndtr(z)
    density = parts.weight @ slope
    density += (parts.joint / parts.tau) @ np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    return float(below), float(density)


def _quantile(parts: _Parts, probability: float, mean: float, deviation: float) -> float:
    """Solve by Newton's method on the normal score inside a bracket."""
    if not 0 < probability < 1:
        return float(np.copysign(np.inf, probability - 0.5))
    score = float(special.ndtri(probability))
    low, high, value = -np.inf, np.inf, mean + score * deviation
    for _ in range(_MOST_STEPS):
        below, density = _distribution(parts, value)
        low, high = (value, high) if below < probability else (low, value)
        here = float(special.ndtri(min(max(below, 1e-300), 1.0 - 1e-16)))
        with np.errstate(divide="ignore", invalid="ignore"):
            move = (here - score) * np.exp(-0.5 * here * here) / (np.sqrt(2.0 * np.pi) * np.float64(density))
        target = value - float(np.clip(move, -4.0 * deviation, 4.0 * deviation))
        if abs(target - value) <= 1e-7 * deviation:
            return target
        if not low < target < high:
            target = (low + high) / 2.0 if np.isfinite(low + high) else value + (score - here) * deviation
        if target == value:
            return target
        value = target
    raise ConvergenceError("a posterior quantile did not settle")


@lru_cache(maxsize=32)
def _frequencies(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights from 0 to pi."""
    x, w = special.roots_legendre(nodes)
    return np.pi * (x + 1.0) / 2.0, np.pi * w / 2.0
