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
from metakit.numerics.posteriors.causes import PANELS, Parts, Shares, log_sum, log_sums
from metakit.numerics.roots import Plain, root_in_bracket

_NEGLIGIBLE = 1e-11
_NEGLIGIBLE_AHEAD = 1e-5
_NEGLIGIBLE_MASS = 1e-9
_NEGLIGIBLE_NODE = 18.0  # logarithms below the node of tau with most mass
_SMALL_TAU = 0.1
_JACOBI = 48
LARGEST_LOG_ODDS = 700.0
_MOST_STEPS = 120
_BLOCK = 512
_FEW_PARTS = 200


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

    def density(self, log_odds: FloatArray) -> FloatArray:
        """Return the density of the log odds at each value, shape (m,)."""
        z = np.asarray(log_odds, dtype=float)
        constant = np.log(self.weight) - special.betaln(self.a, self.b)
        found = np.zeros(len(z))
        for first in range(0, len(constant), _BLOCK):
            part = slice(first, first + _BLOCK)
            exponent = np.multiply.outer(self.a[part], special.log_expit(z))
            exponent += np.multiply.outer(self.b[part], special.log_expit(-z))
            found += np.exp(exponent + constant[part, None]).sum(axis=0)
        return found

    def quantiles(self, probabilities: FloatArray) -> FloatArray:
        """Return quantiles, shape of `probabilities` (one dimension).

        Newton's steps in the log odds, from where a coarse table of the density puts them.
        """
        wanted = np.asarray(probabilities, dtype=float)
        constant = np.log(self.weight) - special.betaln(self.a, self.b)
        start = np.clip(self.rough_log_odds(wanted), -600.0, 34.0)
        found = [self._root(p, z, constant) for p, z in zip(wanted, start, strict=True)]
        return np.asarray(special.expit(np.array(found)))

    def rough_log_odds(self, probabilities: FloatArray) -> FloatArray:
        """Return log odds near quantiles: to a few hundredths of a standard deviation inside of five."""
        size = self.a + self.b
        means = self.a / size
        mean = float(np.clip(self.weight @ means, 1e-12, 1 - 1e-12))
        within = self.weight @ (means * (1 - means) / (size + 1) + (means - mean) ** 2)
        step = float(np.sqrt(within)) / (mean * (1 - mean)) / 8
        grid = float(special.logit(mean)) + step * np.arange(-56.0, 40.0)
        mass = np.cumsum(self.density(grid)) * step
        return np.interp(probabilities, mass / max(float(mass[-1]), 1e-300), grid + step / 2)

    def _root(self, probability: float, start: float, constant: FloatArray) -> float:
        """Return the log odds below which a probability lies."""
        low, high, z = -LARGEST_LOG_ODDS, LARGEST_LOG_ODDS, start
        score = special.ndtri(probability)
        for _ in range(_MOST_STEPS):
            log_x, log_rest = special.log_expit(z), special.log_expit(-z)
            slope = float(np.sum(np.exp(constant + self.a * log_x + self.b * log_rest)))
            below = float(self.weight @ special.betainc(self.a, self.b, special.expit(z)))
            low, high = (z, high) if below < probability else (low, z)
            # Newton on the normal score, on which a distribution is nearly straight.
            here = special.ndtri(min(max(below, 1e-300), 1 - 1e-16))
            height = slope * np.sqrt(2 * np.pi) * np.exp(min(here**2 / 2, 700.0))
            target = z - (here - score) / height if height > 0 else np.nan
            if not low < target < high:
                target = (low + high) / 2
            if abs(target - z) < 1e-6 * max(1.0, abs(z)):  # the next error is its square
                return target
            z = target
        return z


def share_parts(found: Shares, cause: int) -> BetaParts:
    """Return the posterior of the mean share of one cause."""
    parts, alpha = found.parts_of(cause), 1.0 / found.causes
    kept = parts.weight > _NEGLIGIBLE
    k, others = parts.k[kept].astype(float), parts.others[kept].astype(float)
    return heaviest(parts.weight[kept], alpha + k, 1.0 - alpha + others)


def heaviest(weight: FloatArray, a: FloatArray, b: FloatArray) -> BetaParts:
    """Return the parts without the lightest ones, which weigh less than 1e-9 together."""
    order = np.argsort(weight)
    kept = order[np.cumsum(weight[order]) > _NEGLIGIBLE_MASS * weight.sum()]
    return BetaParts(weight[kept] / weight[kept].sum(), a[kept], b[kept])


def coarser(parts: BetaParts) -> BetaParts:
    """Return fewer parts: neighbours made one, with their weight, mean and variance.

    Neighbours lie within an eighth of their own standard deviation in the log odds (a twelfth of a logarithm
    where a parameter is below 1); quantiles move by less than 1e-5.
    """
    if len(parts.weight) < _FEW_PARTS:
        return parts
    keys = [
        np.where(value < 1, 12 * np.log(value) - 1, 8 * np.sqrt(value)).astype(int)
        for value in (parts.a, parts.b)
    ]
    first, second = (key - key.min() for key in keys)
    _, place = np.unique(first * (second.max() + 1) + second, return_inverse=True)
    weight = np.bincount(place, parts.weight).astype(float)
    size = parts.a + parts.b
    means = parts.a / size
    mean = np.bincount(place, parts.weight * means) / weight
    apart = means - mean[place]
    spread = np.bincount(place, parts.weight * (means * (1 - means) / (size + 1) + apart**2)) / weight
    total = mean * (1 - mean) / spread - 1
    return BetaParts(weight, total * mean, total * (1 - mean))


def new_centre_parts(found: Shares, cause: int) -> BetaParts:
    """Return the distribution of the share of one cause in a new centre."""
    alpha = 1.0 / found.causes
    own, rest = found.log_coefficients(cause)
    k, others_k = np.arange(len(own)), np.arange(len(rest))
    mass = log_sums(found.log_few + found.log_together, -1)
    kept = mass > mass.max() - _NEGLIGIBLE_NODE
    tau, log_few = found.tau_few[kept], found.log_few[kept]
    s = 4 / tau**2
    few = tau < _SMALL_TAU
    parts = [_matched(found.parts_of(cause), log_few[few], s[few], alpha)] if few.any() else []

    log_own = own - special.gammaln(alpha + k) + special.gammaln(alpha)
    log_rest = rest - special.gammaln(1 - alpha + others_k) + special.gammaln(1 - alpha)
    nodes = _JACOBI + 3 * int(np.sqrt(len(found.log_together)))
    with np.errstate(invalid="ignore"):  # 0/0 in a first term that scipy replaces
        x, w = special.roots_jacobi(nodes, -alpha, alpha - 1)
    theta, others, log_w = (1 + x) / 2, (1 - x) / 2, np.log(w / w.sum())
    wide, s = ~few, s[~few]
    log_weight = (
        log_few[wide, 0][:, None] + log_w + _polynomial(log_own, s, theta) + _polynomial(log_rest, s, others)
    )
    parts.append((log_weight.ravel(), (s[:, None] * theta).ravel(), (s[:, None] * others).ravel()))
    log_all, a, b = (np.concatenate(each) for each in zip(*parts, strict=True))
    weight = np.exp(log_all - log_sum(log_all))
    kept = weight > _NEGLIGIBLE_AHEAD * weight.max()
    return BetaParts(weight[kept] / weight[kept].sum(), a[kept], b[kept])


def _polynomial(log_coefficients: FloatArray, s: FloatArray, share: FloatArray) -> FloatArray:
    """Return the logarithm of a polynomial of s times share, shape (len(s), len(share)).

    Terms that underflow beside the largest one of their s carry nothing.
    """
    degree = np.flatnonzero(np.isfinite(log_coefficients))
    terms = log_coefficients[degree] + degree * np.log(s)[:, None]
    top = terms.max(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", under="ignore"):
        return np.asarray(top + np.log(np.exp(terms - top) @ share ** degree[:, None]))


def _matched(
    parts: Parts, log_few: FloatArray, s: FloatArray, alpha: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the parts of the posterior at high precision, widened to a new centre by their moments."""
    degree = parts.k + parts.others
    top = max(float((parts.log_coefficient + node[degree]).max(initial=-np.inf)) for node in log_few)
    found = []
    for node, precision in zip(log_few, s, strict=True):
        log_weight = parts.log_coefficient + node[degree]
        kept = log_weight > top - 30
        if not kept.any():
            continue
        weight = np.exp(log_weight[kept] - top)
        mixed = coarser(BetaParts(weight, alpha + parts.k[kept], 1 - alpha + parts.others[kept]))
        total = mixed.a + mixed.b
        shrink = 1 / (total + 1) + (1 - 1 / (total + 1)) / (precision + 1)
        size = 1 / shrink - 1
        found.append((top + np.log(mixed.weight), size * mixed.a / total, size * mixed.b / total))
    log_all, a, b = (np.concatenate(each) for each in zip(*found, strict=True))
    return log_all, a, b


def tau_quantiles(found: Shares, probabilities: FloatArray) -> FloatArray:
    """Return quantiles of tau, shape of `probabilities`.

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
