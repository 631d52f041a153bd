"""Marginal posteriors as mixtures over tau: quantiles, tail probabilities, shortest intervals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.ascent import IntArray
from metakit.numerics.quadrature import Panels, panel_rule
from metakit.numerics.roots import root_in_bracket

_TAIL = 9.5  # standard deviations beyond which a normal component holds nothing that matters


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NormalMixtures:
    """R marginal posteriors as mixtures of normals with common weights.

    `weight` (J,), `mean` and `deviation` (R, J).
    """

    weight: FloatArray
    mean: FloatArray
    deviation: FloatArray

    def tail_above(self, threshold: FloatArray) -> FloatArray:
        """Return the probability above one threshold a row, shape (R,)."""
        z = (self.mean - threshold[:, None]) / self.deviation
        return np.asarray((self.weight * special.ndtr(z)).sum(axis=-1))

    def density(self, value: FloatArray) -> FloatArray:
        """Return the density at one value a row, shape (R,)."""
        z = (value[:, None] - self.mean) / self.deviation
        return np.asarray(
            (self.weight * np.exp(-0.5 * z * z) / self.deviation).sum(axis=-1) / np.sqrt(2 * np.pi)
        )

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation, shape (R,); only meaningful where they exist."""
        mean = (self.weight * self.mean).sum(axis=-1)
        spread = self.deviation**2 + (self.mean - mean[:, None]) ** 2
        return np.asarray(mean), np.asarray(np.sqrt((self.weight * spread).sum(axis=-1)))

    def quantile(self, probability: FloatArray) -> FloatArray:
        """Return one quantile a row, shape (R,)."""
        low = np.min(self.mean - _TAIL * self.deviation, axis=-1)
        high = np.max(self.mean + _TAIL * self.deviation, axis=-1)

        def excess(value: FloatArray, rows: IntArray) -> FloatArray:
            z = (value[:, None] - self.mean[rows]) / self.deviation[rows]
            wanted = probability[rows]
            low_tail = wanted < 0.5  # the smaller tail is the accurate one
            tail = (self.weight * special.ndtr(np.where(low_tail[:, None], z, -z))).sum(axis=-1)
            return np.asarray(np.where(low_tail, tail - wanted, (1.0 - wanted) - tail))

        return root_in_bracket(excess, low, high).root

    def times(self, count: int) -> NormalMixtures:
        """Repeat a single posterior, to ask it several questions at once."""
        return NormalMixtures(
            weight=self.weight,
            mean=np.repeat(self.mean, count, axis=0),
            deviation=np.repeat(self.deviation, count, axis=0),
        )

    def row(self, index: int) -> NormalMixtures:
        """Return one posterior alone."""
        return NormalMixtures(
            weight=self.weight, mean=self.mean[index : index + 1], deviation=self.deviation[index : index + 1]
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TauPosterior:
    """Marginal posterior of tau.

    `log_density` takes tau and gives the unnormalised log-density; `shift` and `mass` normalise it.
    `cumulative` has the posterior mass up to each edge of `panels`, in t = tau / (size + tau).
    """

    log_density: Callable[[FloatArray], FloatArray]
    size: float
    shift: float
    mass: float
    panels: Panels
    cumulative: FloatArray
    tau: FloatArray
    weight: FloatArray

    def _in_t(self, t: FloatArray) -> FloatArray:
        """Density of t, normalised."""
        tau = self.size * t / (1.0 - t)
        return np.asarray(np.exp(self.log_density(tau) - self.shift) * self.size / (1.0 - t) ** 2 / self.mass)

    def density(self, tau: float) -> float:
        """Return the posterior density of tau."""
        tau = max(tau, 1e-300)
        return float(np.exp(self.log_density(np.array([tau]))[0] - self.shift) / self.mass)

    def quantiles(self, probability: FloatArray) -> FloatArray:
        """Return several quantiles of tau."""
        return np.array([self.quantile(float(p)) for p in probability])

    def quantile(self, probability: float) -> float:
        """Return a quantile of tau."""
        edges = self.panels.edges
        panel = int(np.clip(np.searchsorted(self.cumulative, probability) - 1, 0, len(edges) - 2))
        start, before = edges[panel], self.cumulative[panel]

        def excess(t: FloatArray, rows: IntArray) -> FloatArray:
            points, weights, _ = panel_rule(np.full_like(t, start), t)
            inside = (weights * self._in_t(points.ravel()).reshape(points.shape)).sum(axis=-1)
            return np.asarray(before + inside - probability)

        t = float(root_in_bracket(excess, edges[panel : panel + 1], edges[panel + 1 : panel + 2]).root[0])
        return self.size * t / (1.0 - t)


def shortest_interval(
    quantile: Callable[[FloatArray], FloatArray], density: Callable[[float], float], level: float
) -> tuple[float, float]:
    """Return the shortest interval with a given mass.

    Parameters
    ----------
    quantile, density : callable
        Quantiles of an array of probabilities, and the density at one value.
    level : float
        Mass of the interval.

    Notes
    -----
    The best start probability is bracketed on a grid, then solved for equal density at both ends; an end at
    the edge of the support stays there.
    """
    spare = 1.0 - level
    grid = spare * np.linspace(0.0, 1.0, 21)[1:-1]
    ends = quantile(np.concatenate([grid, grid + level]))
    widths = ends[len(grid) :] - ends[: len(grid)]
    best = int(np.argmin(widths))
    low = float(grid[best - 1]) if best > 0 else spare * 1e-9
    high = float(grid[best + 1]) if best + 1 < len(grid) else spare * (1 - 1e-9)

    def both_ends(p: float) -> tuple[float, float]:
        start, end = quantile(np.array([p, p + level]))
        return float(start), float(end)

    def uneven(p: FloatArray, rows: IntArray) -> FloatArray:
        start, end = both_ends(float(p[0]))
        return np.array([density(start) - density(end)])

    found = root_in_bracket(uneven, np.array([low]), np.array([high]))
    if not bool(found.converged[0]):  # no balance inside: the density falls from one edge of the support on
        at_edge = low if uneven(np.array([low]), np.zeros(1, dtype=np.intp))[0] > 0 else high
        return both_ends(0.0 if at_edge == low and best == 0 else at_edge)
    return both_ends(float(found.root[0]))
