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

from metakit.core.effects import BoolArray, FloatArray
from metakit.errors import ConvergenceError

WIDE = 2.4
"""Spreads from this many grid steps on are summed point by point: the grid then resolves the normal."""
_REACH = 20.0  # steps beyond the grid where nothing is left of a density widened by less than WIDE steps
_MOST_STEPS = 100
_NEGLIGIBLE = 1e-18  # joint weight of a point that changes nothing that is told
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
            return parts.below(at.ravel())[0].reshape(at.shape)
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
        return _quantiles(parts, asked.ravel(), mean, deviation).reshape(asked.shape)

    def _parts(self, new_centre: bool) -> _Parts:
        """Return what sums are made of, made once: many quantiles are asked of one posterior."""
        if new_centre not in self._known:
            self._known[new_centre] = self._made(new_centre)
        return self._known[new_centre]

    def _made(self, new_centre: bool) -> _Parts:
        spread = self.tau / self.step if new_centre else np.zeros_like(self.tau)
        joint = self.weight[:, None] * self.share
        node, place = np.nonzero(joint > _NEGLIGIBLE)
        exact, wide = spread[node] == 0, spread[node] >= WIDE
        carried, point = joint[node, place], self.start[node] + self.step[node] * place
        narrow = (spread > 0) & (spread < WIDE)
        return _Parts(
            blurred=_Blurred.of(self, narrow, spread[narrow]) if narrow.any() else None,
            exact=carried[exact],
            at=point[exact],
            step=self.step[node[exact]],
            joint=carried[wide],
            point=point[wide],
            tau=self.tau[node[wide]],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """What a distribution function is summed from.

    Points of E nodes that nothing widens, which the sinc rule sums; Fourier sums of nodes widened by less
    than WIDE steps; and points of nodes widened by more, with their tau.
    """

    blurred: _Blurred | None
    exact: FloatArray
    at: FloatArray
    step: FloatArray
    joint: FloatArray
    point: FloatArray
    tau: FloatArray

    def below(self, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the probability below each value of a row, and the density there."""
        below, density = np.zeros_like(value), np.zeros_like(value)
        if len(self.exact):
            unit = (value[:, None] - self.at) / self.step
            below += (0.5 + special.sici(np.pi * unit)[0] / np.pi) @ self.exact
            density += np.sinc(unit) @ (self.exact / self.step)
        if len(self.joint):
            z = (value[:, None] - self.point) / self.tau
            below += special.ndtr(z) @ self.joint
            density += np.exp(-0.5 * z * z) @ (self.joint / self.tau) / np.sqrt(2.0 * np.pi)
        if self.blurred is not None:
            mass, slope = self.blurred.below(value)
            below += mass
            density += slope
        return below, density


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Blurred:
    """Fourier sums of N nodes whose densities a normal of less than WIDE steps widens."""

    weight: FloatArray
    centre: FloatArray
    step: FloatArray
    reach: FloatArray
    frequency: FloatArray
    real: FloatArray
    imaginary: FloatArray

    @classmethod
    def of(cls, grid: GridPosterior, which: BoolArray, spread: FloatArray) -> _Blurred:
        """Sum the densities of some nodes at Gauss-Legendre frequencies; `spread` is in steps."""
        share = grid.share[which]
        points = int(np.flatnonzero(share.any(axis=0))[-1]) + 1
        share = share[:, :points]
        middle = (points - 1) / 2.0
        frequency, rule = _frequencies(int(np.ceil(np.pi * (points + 2 * _REACH) / 2.0)) + 24)
        phase = frequency[:, None] * (np.arange(points) - middle)
        damping = rule * np.exp(-0.5 * (frequency * spread[:, None]) ** 2) / np.pi
        return cls(
            weight=grid.weight[which],
            centre=grid.start[which] + grid.step[which] * middle,
            step=grid.step[which],
            reach=np.full(len(spread), middle + _REACH),
            frequency=frequency,
            real=damping * (share @ np.cos(phase).T),
            imaginary=damping * (share @ np.sin(phase).T),
        )

    def below(self, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what these nodes add to the probability below each value, and to the density there."""
        unit = (value[:, None] - self.centre) / self.step
        inside = np.abs(unit) <= self.reach
        angle = np.clip(unit, -self.reach, self.reach)[..., None] * self.frequency
        sine, cosine = np.sin(angle), np.cos(angle)
        mass = (
            0.5
            + np.vecdot(sine, self.real / self.frequency)
            - np.vecdot(cosine, self.imaginary / self.frequency)
        )
        slope = (np.vecdot(cosine, self.real) + np.vecdot(sine, self.imaginary)) / self.step
        return (
            np.where(inside, mass, unit > 0) @ self.weight,
            np.where(inside, slope, 0.0) @ self.weight,
        )


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
        mass[part], slope[part] = parts.below(places[part])
    return _Table(start=low, step=float(places[1] - places[0]), mass=mass, slope=slope)


def _quantiles(parts: _Parts, probability: FloatArray, mean: float, deviation: float) -> FloatArray:
    """Solve by Newton's method on the normal score inside brackets, for all probabilities at once."""
    score = special.ndtri(probability)
    value = np.where(np.isfinite(score), mean + np.clip(score, -40.0, 40.0) * deviation, score)
    low, high = np.full_like(value, -np.inf), np.full_like(value, np.inf)
    active = np.flatnonzero(np.isfinite(score))
    for _ in range(_MOST_STEPS):
        if not len(active):
            return value
        at, wanted = value[active], score[active]
        below, density = parts.below(at)
        under = below < probability[active]
        low[active] = np.where(under, at, low[active])
        high[active] = np.where(under, high[active], at)
        here = special.ndtri(np.clip(below, 1e-300, 1.0 - 1e-16))
        with np.errstate(divide="ignore", invalid="ignore"):
            move = (here - wanted) * np.exp(-0.5 * here * here) / (np.sqrt(2.0 * np.pi) * density)
        target = at - np.clip(move, -4.0 * deviation, 4.0 * deviation)
        settled = np.abs(target - at) <= 1e-7 * deviation
        outside = ~settled & ~((target > low[active]) & (target < high[active]))
        halved = (low[active] + high[active]) / 2.0
        halved = np.where(np.isfinite(halved), halved, at + (wanted - here) * deviation)
        target = np.where(outside, halved, target)
        settled |= target == at
        value[active] = target
        active = active[~settled]
    raise ConvergenceError("a posterior quantile did not settle")


@lru_cache(maxsize=32)
def _frequencies(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights from 0 to pi."""
    x, w = special.roots_legendre(nodes)
    return np.pi * (x + 1.0) / 2.0, np.pi * w / 2.0
