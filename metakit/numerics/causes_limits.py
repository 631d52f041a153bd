"""Limits of shares of causes: of the mean share, and of the share in a new centre.

Every distribution here is a finite mixture of Beta distributions, which `numerics.causes` gives exactly for
the mean share. For a new centre the share is Beta(s theta, s (1 - theta)) around the mean share theta; theta
is integrated by a Gauss-Jacobi rule at each node of tau. Below tau 0.1 (s above 400) that rule would see
steps, so each part of the posterior is widened there by matching mean and variance. Both together leave an
error of a limit below 1e-5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from scipy import special

from metakit.core.effects import FloatArray
from metakit.numerics.causes import PANELS, Shares
from metakit.numerics.roots import Plain, root_in_bracket

_NEGLIGIBLE = 1e-14
_NEGLIGIBLE_AHEAD = 1e-6
_SMALL_TAU = 0.1
_JACOBI = 64
_GRID = np.concatenate([np.linspace(-700.0, -30.0, 16), np.linspace(-24.0, 36.0, 41)])
"""Log odds between which a limit is looked for first."""


@dataclass(frozen=True, slots=True, eq=False)
class BetaParts:
    """A finite mixture of Beta distributions; the weights add up to 1."""

    weight: FloatArray
    a: FloatArray
    b: FloatArray

    @property
    def mean(self) -> float:
        """Mean of the mixture."""
        return float(np.sum(self.weight * self.a / (self.a + self.b)))

    def below(self, log_odds: FloatArray) -> FloatArray:
        """Return the probability of a share below each value, given as log odds, shape (m,)."""
        x = special.expit(np.asarray(log_odds, dtype=float))
        return np.array([np.sum(self.weight * special.betainc(self.a, self.b, each)) for each in x])

    def quantiles(self, probabilities: FloatArray) -> FloatArray:
        """Return quantiles, shape of `probabilities` (one dimension)."""
        wanted = np.asarray(probabilities, dtype=float)
        known = self.below(_GRID)
        right = np.clip(np.searchsorted(known, wanted), 1, len(_GRID) - 1)
        found = root_in_bracket(
            lambda z, rows: self.below(z) - wanted[rows], _GRID[right - 1], _GRID[right]
        )  # outside the grid the nearest end is right to 1e-16
        return special.expit(found.root)


def share_parts(found: Shares, cause: int) -> BetaParts:
    """Return the posterior of the mean share of one cause of one analysis (no batch)."""
    weight = found.weight[cause]
    k, others = np.nonzero(weight > _NEGLIGIBLE)
    kept, alpha = weight[k, others], 1.0 / found.causes
    return BetaParts(kept / kept.sum(), alpha + k.astype(float), 1.0 - alpha + others.astype(float))


def new_centre_parts(found: Shares, cause: int) -> BetaParts:
    """Return the distribution of the share of one cause in a new centre (no batch)."""
    alpha = 1.0 / found.causes
    k = np.arange(found.weight.shape[-1])
    own, rest = found.log_cause[cause], found.log_others[cause]
    s = 4 / found.tau_few**2
    few = found.tau_few < _SMALL_TAU
    parts = [_matched(own, rest, found.log_few[few], s[few], alpha)]

    log_own = own - special.gammaln(alpha + k) + special.gammaln(alpha)
    log_rest = rest - special.gammaln(1 - alpha + k) + special.gammaln(1 - alpha)
    with np.errstate(invalid="ignore"):  # 0/0 in a first term that scipy replaces
        x, w = special.roots_jacobi(_JACOBI + len(k) // 2, -alpha, alpha - 1)
    theta, log_w = (1 + x) / 2, np.log(w / w.sum())
    wide, s = ~few, s[~few]
    log_weight = (
        found.log_few[wide, 0][:, None]
        + log_w
        + _polynomial(log_own, np.log(s[:, None] * theta))
        + _polynomial(log_rest, np.log(s[:, None] * ((1 - x) / 2)))
    )
    parts.append((log_weight.ravel(), (s[:, None] * theta).ravel(), (s[:, None] * ((1 - x) / 2)).ravel()))
    log_all, a, b = (np.concatenate(each) for each in zip(*parts, strict=True))
    weight = np.exp(log_all - special.logsumexp(log_all))
    kept = weight > _NEGLIGIBLE_AHEAD * weight.max()
    return BetaParts(weight[kept] / weight[kept].sum(), a[kept], b[kept])


def _polynomial(log_coefficients: FloatArray, log_x: FloatArray) -> FloatArray:
    degree = np.flatnonzero(np.isfinite(log_coefficients))
    return special.logsumexp(log_coefficients[degree] + degree * log_x[..., None], axis=-1)


def _matched(
    own: FloatArray, rest: FloatArray, log_few: FloatArray, s: FloatArray, alpha: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the parts of the posterior at high precision, widened to a new centre by their moments."""
    degree = np.arange(len(own))
    k, others = np.nonzero(np.isfinite(own[:, None] + rest) & (degree[:, None] + degree < len(own)))
    log_weight = own[k] + rest[others] + log_few[:, k + others]
    node, part = np.nonzero(log_weight > log_weight.max(initial=-np.inf) - 30)
    k, others, kept = k[part], others[part], log_weight[node, part]
    total = 1.0 + k + others
    shrink = 1 / (total + 1) + (1 - 1 / (total + 1)) / (s[node] + 1)
    size = 1 / shrink - 1
    return kept, size * (alpha + k) / total, size * (1 - alpha + others) / total


def tau_quantiles(found: Shares, probabilities: FloatArray) -> FloatArray:
    """Return quantiles of tau of one analysis (no batch), shape of `probabilities`.

    Within a panel the density is the polynomial through its nodes, integrated exactly.
    """
    nodes = len(found.tau) // PANELS
    x, _ = special.roots_legendre(nodes)
    mass = found.tau_weight.reshape(PANELS, nodes)
    edges = found.tau_edges
    reached = np.concatenate([[0.0], np.cumsum(mass.sum(axis=-1))])
    degree = np.arange(nodes)
    # tau_weight is rule weight times density, so that its Legendre coefficients need no division.
    density = (2 * degree + 1) / 2 * (mass @ legendre.legvander(x, nodes - 1))
    quantiles = []
    for probability in np.asarray(probabilities, dtype=float):
        panel = int(np.clip(np.searchsorted(reached, probability) - 1, 0, PANELS - 1))
        below = legendre.legint(density[panel], lbnd=-1)
        root = root_in_bracket(_less(below, probability - reached[panel]), -np.ones(1), np.ones(1)).root[0]
        quantiles.append(edges[panel] + (edges[panel + 1] - edges[panel]) * (root + 1) / 2)
    return np.array(quantiles)


def _less(coefficients: FloatArray, value: float) -> Plain:
    return lambda u, rows: np.asarray(legendre.legval(u, coefficients) - value, dtype=np.float64)
